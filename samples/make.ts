/**
 * Makes samples/frames: twelve simulated live-view frames with known truth, three of them without a
 * pattern. "In front" and "behind" tell where the sensor lies from the star's focus. Run `node samples/make.ts`; the same frames come out every time.
 */
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import sharp from 'sharp';
import { expose } from '../core/simulator/expose.ts';
import { renderNoiseFree } from '../core/simulator/render.ts';
import { arcsecToPx, defaultScene, type Light, type Scene, star, truth } from '../core/simulator/scene.ts';

const { mask } = defaultScene();
const half = { ...mask!, ribD: 0.015 };

function lamp(xPx: number, yPx: number, widthPx: number, heightPx: number, electrons: number, temperatureK: number): Light {
  return { ...star(xPx, yPx, electrons, temperatureK), widthPx, heightPx, square: heightPx > widthPx };
}

const scenes: Record<string, Partial<Scene>> = {
  'in-focus': { mask: half, dzUm: 0.4, maskRotationDeg: -12 },
  'little-in-front': { mask: half, dzUm: -6, maskRotationDeg: 35 },
  'little-behind': { mask: half, dzUm: 6, maskRotationDeg: 35, star: star(610.7, 300.2, 250_000, 9500) },
  'far-behind': { mask: half, dzUm: 26, maskRotationDeg: 71, star: star(402.2, 410.9, 500_000, 4200) },
  'mask-upside-down': { mask: half, dzUm: 9, maskRotationDeg: 180 - 20, star: star(300.4, 200.6, 220_000) },
  'strips-side-by-side': {
    mask: { ...half, layout: 'strips-u' },
    dzUm: -11,
    maskRotationDeg: 15,
    outerAngleDeg: 24,
    star: star(700.1, 450.8, 300_000),
  },
  'strips-stacked': { mask: { ...half, layout: 'strips-n' }, dzUm: 7, maskRotationDeg: -64, star: star(480, 260.5, 300_000) },
  'whole-field': {
    mask: half,
    dzUm: -14,
    maskRotationDeg: 8,
    focalMm: 50,
    pixelUm: 6,
    fullWellE: 9000,
    star: star(655.4, 238.3, 150_000),
    otherLights: [star(210.3, 500.1, 2500, 5000), star(850.9, 90.4, 1800, 7000), star(120.2, 130.7, 1200, 4000)],
  },
  'planet-in-haze': {
    mask: half,
    dzUm: 4,
    maskRotationDeg: 50,
    focalMm: 50,
    pixelUm: 2.4,
    skyE: 120,
    skyGradientYE: 60,
    fullWellE: 6000,
    seeingPx: 1.6,
    star: {
      ...star(520.6, 350.3, 500_000, 5600),
      widthPx: arcsecToPx(40, 50, 2.4),
      heightPx: arcsecToPx(40, 50, 2.4),
    },
  },
  'no-mask-blades': { mask: null, blades: 6, bladeAngleDeg: 12, pixelUm: 2, star: star(420.5, 330.2, 2_000_000, 6000) },
  'no-mask-lamps': {
    mask: null,
    dzUm: 12,
    pixelUm: 4,
    skyE: 60,
    star: lamp(300.2, 420.4, 14, 9, 900_000, 2400),
    otherLights: [lamp(352.8, 428.1, 5, 22, 400_000, 2700), lamp(268.9, 411.3, 8, 8, 300_000, 2200), lamp(700, 520, 60, 12, 600_000, 3000)],
  },
  'sky-only': { mask: half, star: star(-4000, -4000, 1), skyE: 35, skyGradientXE: 12, hotPixels: 40, hotPixelE: 3500, bandingE: 1.5 },
};

const folder = join(import.meta.dirname, 'frames');
mkdirSync(folder, { recursive: true });
const lines: string[] = [];
for (const [index, [name, changes]] of Object.entries(scenes).entries()) {
  const scene = defaultScene({ hotPixels: 8, seed: 100 + index, ...changes });
  const { data, widthPx, heightPx } = expose(renderNoiseFree(scene), scene);
  const file = `${name}.jpg`;
  await sharp(data as Uint8Array, { raw: { width: widthPx, height: heightPx, channels: 3 } })
    .jpeg({ quality: scene.jpegQuality, chromaSubsampling: '4:2:0' })
    .toFile(join(folder, file));
  const known = truth(scene);
  const pattern = known.pattern && name !== 'sky-only';
  lines.push(JSON.stringify(pattern ? { file, ...known } : { file, pattern: false }));
}
writeFileSync(join(folder, 'truth.jsonl'), `${lines.join('\n')}\n`);
