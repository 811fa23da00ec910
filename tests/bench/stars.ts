/** Time and memory of finding the stars of a large still. Usage: node tests/bench/stars.ts [MEGAPIXELS] [STARS] */
import type { PixelImage } from '../../core/frame.ts';
import { expose } from '../../core/simulator/expose.ts';
import { fieldScene, SHARP, seededField } from '../../core/simulator/field.ts';
import { findStars } from '../../core/stars/find.ts';
import { mapField } from '../../core/stars/map.ts';

const [megapixels, stars] = [Number(process.argv[2] ?? 24), Number(process.argv[3] ?? 3000)];
const widthPx = Math.round(Math.sqrt(1.5e6 * megapixels));
const heightPx = Math.round(widthPx / 1.5);

/** Strips of a field one above the other: noise-free planes of all of it would take gigabytes. */
function large(): PixelImage {
  const data = new Uint8Array(3 * widthPx * heightPx);
  const strips = 8;
  for (let strip = 0; strip < strips; strip++) {
    const from = Math.round((strip * heightPx) / strips);
    const rows = Math.round(((strip + 1) * heightPx) / strips) - from;
    const scene = fieldScene({ widthPx, heightPx: rows, seed: strip + 1, bayer: true, skyE: 150, hotPixels: 40 });
    const { light } = seededField(scene, Math.round(stars / strips), 500, SHARP);
    data.set(expose(light, scene).data as Uint8Array, 3 * widthPx * from);
  }
  return { widthPx, heightPx, channels: 3, data, maxValue: 255, transfer: 'srgb' };
}

const image = large();
const memoryBefore = process.memoryUsage().rss;
for (const round of ['first', 'again']) {
  const [startMs, cpu] = [performance.now(), process.cpuUsage()];
  const list = findStars(image);
  mapField(list, { exposureS: null, focalMm: null, pixelUm: null });
  const { user, system } = process.cpuUsage(cpu);
  const wallS = ((performance.now() - startMs) / 1000).toFixed(1);
  console.log(
    `${round}: ${widthPx} × ${heightPx} px, ${list.stars.length} stars, ${((user + system) / 1e6).toFixed(1)} s of CPU, ${wallS} s by the clock`,
  );
}
const megabytes = (bytes: number) => (bytes / 1e6).toFixed(0);
console.log(
  `beside the picture's ${megabytes(image.data.byteLength)} MB: ${megabytes(process.memoryUsage().rss - memoryBefore)} MB more in all`,
);
