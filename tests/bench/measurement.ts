/** One simulated frame measured, with and without knowledge of the optics, and what comes of many. */
import sharp from 'sharp';
import type { PixelImage } from '../../core/frame.ts';
import type { Optics, Reading } from '../../core/measurement.ts';
import type { Cv } from '../../core/pattern/cv.ts';
import { measure } from '../../core/pattern/measure.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { type Scene, type Truth, truth } from '../../core/simulator/scene.ts';
import { encodeJpeg } from '../support/encode.ts';
import { blurredPeaks, sourceExtractor } from './baselines.ts';
import { sceneBoundPx } from './bound.ts';

/** A reading with the time it took, ms: by the clock, and of this thread's processor. */
export interface Timed {
  reading: Reading;
  wallMs: number;
  cpuMs: number;
}

export interface Trial {
  truth: Truth;
  /** Cramér–Rao bound of the offset, px. */
  boundPx: number;
  /** Nothing known of the optics. */
  unknown: Timed;
  /** Lens and pixel size known, as a user types them in, but not which way the mask sits. */
  known: Timed;
  /** Offsets the outside methods find, px, null where they miss a spot; absent when not asked for. */
  baselines: { blurredPeaks: number | null; sourceExtractor: number | null } | null;
}

export interface Row {
  frames: number;
  foundPercent: number;
  /** Root mean square of error / bound, merged frames left out. */
  rmsOverBound: number;
  /** Median of |error / bound| over 0.6745, which is 1 for Gaussian errors at the bound. */
  medianOverBound: number;
  /** Mean of error / bound. */
  biasOverBound: number;
  /** Root mean square of error / σ; 1 when σ is true. */
  spread: number;
  /** Side wrong by more than 3 σ, merged frames counted too. */
  signErrors: number;
  /** Root mean square of the error, px. */
  rmsPx: number;
  wallMs: [p50: number, p95: number];
  cpuMs: [p50: number, p95: number];
}

export const UNKNOWN_OPTICS: Optics = { focalMm: null, fNumber: null, pixelUm: null, mask: null };

export async function tryScene(cv: Cv, scene: Scene, withBaselines: boolean): Promise<Trial> {
  const image = await asReceived(expose(renderNoiseFree(scene), scene), scene.jpegQuality);
  const { focalMm, fNumber, pixelUm } = scene;
  return {
    truth: truth(scene),
    boundPx: sceneBoundPx(scene),
    unknown: timed(() => measure(cv, image, UNKNOWN_OPTICS)),
    known: timed(() => measure(cv, image, { focalMm, fNumber, pixelUm, mask: null })),
    baselines: withBaselines
      ? { blurredPeaks: blurredPeaks(cv, image, scene), sourceExtractor: sourceExtractor(image, scene) }
      : null,
  };
}

export function timed(work: () => Reading): Timed {
  const wall = performance.now();
  const cpu = process.threadCpuUsage();
  const reading = work();
  const { user, system } = process.threadCpuUsage(cpu);
  return { reading, wallMs: performance.now() - wall, cpuMs: (user + system) / 1000 };
}

/** The picture as it comes out of the camera: JPEG bytes, decoded. */
export async function asReceived(image: PixelImage, quality: number): Promise<PixelImage> {
  const { data } = await sharp(await encodeJpeg(image, quality))
    .raw()
    .toBuffer({ resolveWithObject: true });
  return { ...image, data };
}

export function summarise(trials: Trial[], knowing: 'unknown' | 'known'): Row {
  const errors = trials.flatMap((trial) => {
    const { reading } = trial[knowing];
    if (reading.status !== 'measured' || trial.truth.merged) return [];
    const error = signedError(trial.truth, reading.offsetPx, reading.middleAngleDeg);
    return [{ px: error, overSigma: error / reading.offsetSigmaPx, overBound: error / trial.boundPx }];
  });
  const over = errors.map(({ overBound }) => overBound).filter(Number.isFinite);
  return {
    frames: trials.length,
    foundPercent: (100 * trials.filter((trial) => trial[knowing].reading.status === 'measured').length) / trials.length,
    rmsOverBound: rms(over),
    medianOverBound: medianSize(over),
    biasOverBound: over.reduce((a, b) => a + b, 0) / over.length,
    spread: rms(errors.map(({ overSigma }) => overSigma)),
    signErrors: trials.filter((trial) => isSignError(trial.truth, trial[knowing].reading)).length,
    rmsPx: rms(errors.map(({ px }) => px)),
    wallMs: percentiles(trials.map((trial) => trial[knowing].wallMs)),
    cpuMs: percentiles(trials.map((trial) => trial[knowing].cpuMs)),
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

/** NaN for no values. */
export function rms(values: number[]): number {
  return Math.sqrt(values.reduce((sum, value) => sum + value * value, 0) / values.length);
}

/** Standard deviation of a Gaussian with the values' median size. */
export function medianSize(values: number[]): number {
  return percentiles(values.map(Math.abs))[0] / 0.6745;
}

export function percentiles(values: number[]): [p50: number, p95: number] {
  const sorted = [...values].sort((a, b) => a - b);
  return [0.5, 0.95].map((part) => sorted[Math.floor(part * (sorted.length - 1))] ?? Number.NaN) as [number, number];
}
