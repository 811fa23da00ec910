/** For catalogue.py: writes each field's linear light (float32) into a folder. */
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { lightOf } from '../../../core/stars/light.ts';
import { drawField, FIELDS } from './scenes.ts';

const folder = process.argv[2];
const index = FIELDS.map((name, i) => {
  const { image } = drawField(name);
  const { widthPx, heightPx } = image;
  const light = new Float32Array(widthPx * heightPx);
  lightOf(image, { x0: 0, y0: 0, widthPx, heightPx }, light);
  writeFileSync(join(folder, `${i}.f32`), light);
  return { name, file: `${i}.f32`, widthPx };
});
writeFileSync(join(folder, 'index.json'), JSON.stringify(index));
