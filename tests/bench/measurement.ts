/** The measurement against truth and bound, one row per family. */
import sharp from 'sharp';
import type { PixelImage } from '../../core/frame.ts';
import type { Optics, Reading } from '../../core/measurement.ts';
import type { Cv } from '../../core/pattern/cv.ts';
import { measure } from '../../core/pattern/measure.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { type Scene, type Truth, truth } from '../../core/simulator/scene.ts';
import { encodeJpeg } from '../support/encode.ts';
import { sceneBoundPx } from './bound.ts';
import { drawScene, type Family } from './scenes.ts';

export interface Trial {
  family: string;
  index: number;
  scene: Scene;
  truth: Truth;
  reading: Reading;
  boundPx: number;
  ms: number;
}

export interface Row {
  family: string;
  frames: number;
  foundPercent: number;
  /** Root mean square of error / bound, merged frames left out. */
  rmsOverBound: number;
  medianOverBound: number;
  /** Mean of error / bound. */
  biasOverBound: number;
  /** Standard deviation of error / σ, and of the same with the largest 2 % left out. */
  spread: number;
  signErrors: number;
  msP50: number;
  msP95: number;
}

/** What a user would have typed in: lens and pixel, but not which way the mask sits. */
function opticsOf({ focalMm, fNumber, pixelUm }: Scene): Optics {
  return { focalMm, fNumber, pixelUm, mask: null };
}

export const UNKNOWN_OPTICS: Optics = { focalMm: null, fNumber: null, pixelUm: null, mask: null };

export async function runFamily(
  cv: Cv,
  family: Family,
  count: number,
  seed: number,
  withBound = true,
  knownOptics = false,
): Promise<Trial[]> {
  const trials: Trial[] = [];
  for (let index = 0; index < count; index++) {
    const scene = drawScene(family, index, seed);
    const image = await asReceived(expose(renderNoiseFree(scene), scene), scene.jpegQuality);
    const started = performance.now();
    const reading = measure(cv, image, knownOptics ? opticsOf(scene) : UNKNOWN_OPTICS);
    const ms = performance.now() - started;
    trials.push({
      family: family.name,
      index,
      scene,
      truth: truth(scene),
      reading,
      boundPx: withBound ? sceneBoundPx(scene) : NaN,
      ms,
    });
  }
  return trials;
}

/** The picture as it comes out of the camera: JPEG bytes, decoded. */
export async function asReceived(image: PixelImage, quality: number): Promise<PixelImage> {
  if (quality > 100) return image;
  const { data } = await sharp(await encodeJpeg(image, quality))
    .raw()
    .toBuffer({ resolveWithObject: true });
  return { ...image, data };
}

export function summarise(family: string, trials: Trial[]): Row {
  const judged = trials.flatMap(({ truth, reading, boundPx }) =>
    reading.status === 'measured' && !truth.merged
      ? [
          {
            error: signedError(truth, reading.offsetPx, reading.middleAngleDeg),
            sigma: reading.offsetSigmaPx,
            bound: boundPx,
            truth: truth.offsetPx,
          },
        ]
      : [],
  );
  const found = trials.filter(({ reading }) => reading.status === 'measured').length;
  const over = judged.map(({ error, bound }) => error / bound);
  const normal = judged.map(({ error, sigma }) => error / sigma);
  const times = trials.map(({ ms }) => ms).sort((a, b) => a - b);
  return {
    family,
    frames: trials.length,
    foundPercent: (100 * found) / trials.length,
    rmsOverBound: rms(over),
    medianOverBound: median(over.map(Math.abs)) / 0.6745,
    biasOverBound: over.reduce((a, b) => a + b, 0) / Math.max(1, over.length),
    spread: rms(normal),
    signErrors: trials.filter(({ truth, reading }) => isSignError(truth, reading)).length,
    msP50: times[Math.floor(0.5 * times.length)],
    msP95: times[Math.floor(0.95 * times.length)],
  };
}

/** Measured less true; at ±90° both directions of u are the same line with the opposite sign. */
export function signedError(truth: Truth, offsetPx: number, middleAngleDeg: number): number {
  const turned = Math.abs(middleAngleDeg - truth.middleAngleDeg) > 90;
  return (turned ? -offsetPx : offsetPx) - truth.offsetPx;
}

function isSignError(truth: Truth, reading: Reading): boolean {
  if (reading.status !== 'measured') return false;
  const measured = truth.offsetPx + signedError(truth, reading.offsetPx, reading.middleAngleDeg);
  return Math.abs(measured) > 3 * reading.offsetSigmaPx && measured * truth.offsetPx < 0;
}

function rms(values: number[]): number {
  return Math.sqrt(values.reduce((sum, value) => sum + value * value, 0) / Math.max(1, values.length));
}

function median(values: number[]): number {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[sorted.length >> 1] ?? Number.NaN;
}
