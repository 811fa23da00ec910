/** For locate.py: writes each scene's green plane (float32) and its rough places into a folder. */
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { greenPlane, roughPlaces, SCENES, WINDOW_PX } from './scenes.ts';

const folder = process.argv[2];
const index = Object.entries(SCENES).map(([name, scene], i) => {
  writeFileSync(join(folder, `${i}.f32`), greenPlane(scene));
  return { name, file: `${i}.f32`, widthPx: scene.widthPx, windowPx: WINDOW_PX, places: roughPlaces(scene) };
});
writeFileSync(join(folder, 'index.json'), JSON.stringify(index));
