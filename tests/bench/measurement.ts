/** One frame measured, with more and less knowledge of the optics, and what comes of many. */
import type { Optics, Reading } from '../../core/measurement.ts';
import { Follower, measure } from '../../core/pattern/measure.ts';
import type { Truth } from '../../core/simulator/scene.ts';
import { asSeen, frameOf, type Known } from './frames.ts';
import type { BenchScene } from './scenes.ts';

/** A reading with the time it took, ms: by the clock, and of this thread's processor. */
export interface Timed {
  reading: Reading;
  wallMs: number;
  cpuMs: number;
}

export interface Trial extends Known {
  /** Nothing known of the optics. */
  unknown: Timed;
  /** Lens, pixel size and the mask's layout known, as a user types them in, but not on which side which grating sits. */
  known: Timed;
  /** That known too, as after a calibration turn. */
  learned: Timed;
  /** The same as a live view's next frame, when the pattern has been found: what the screen shows from the second frame on. */
  followed: Timed;
}

/** What is known of the optics, or of the frame before. */
export type Knowing = 'unknown' | 'known' | 'learned' | 'followed';

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
  /** Median of |error / σ| over 0.6745. */
  medianSpread: number;
  /** Side wrong by more than 3 σ, merged frames counted too. */
  signErrors: number;
  /** Root mean square of the error, px. */
  rmsPx: number;
  wallMs: [p50: number, p95: number];
  cpuMs: [p50: number, p95: number];
  /** Reasons given for the frames not measured. */
  reasons: Record<string, number>;
}

export const UNKNOWN_OPTICS: Optics = { focalMm: null, fNumber: null, pixelUm: null, mask: null };

export async function tryScene(scene: BenchScene): Promise<Trial> {
  const { image, jpeg, ...known } = await frameOf(scene);
  const { focalMm, fNumber, pixelUm } = asSeen(scene);
  const optics = { focalMm, fNumber, pixelUm, mask: scene.mask && { ...scene.mask, orientation: null } };
  const typed = { ...optics, mask: optics.mask && { ...optics.mask, handedness: null } };
  const follower = new Follower();
  return {
    ...known,
    unknown: timed(() => measure(image, UNKNOWN_OPTICS)),
    known: timed(() => measure(image, typed)),
    // Its first look is anew, as `measure` is.
    learned: timed(() => follower.measure(image, optics)),
    followed: timed(() => follower.measure(image, optics)),
  };
}

export function timed(work: () => Reading): Timed {
  const wall = performance.now();
  const cpu = process.threadCpuUsage();
  const reading = work();
  const { user, system } = process.threadCpuUsage(cpu);
  return { reading, wallMs: performance.now() - wall, cpuMs: (user + system) / 1000 };
}

export function summarise(trials: Trial[], knowing: Knowing): Row {
  const errors = trials.flatMap((trial) => {
    const px = errorPx(trial, knowing);
    const { reading } = trial[knowing];
    if (px === null || reading.status !== 'measured') return [];
    return [{ px, overSigma: px / reading.offsetSigmaPx, overBound: px / trial.limit.boundPx }];
  });
  const over = errors.map(({ overBound }) => overBound).filter(Number.isFinite);
  const overSigma = errors.map((error) => error.overSigma);
  return {
    frames: trials.length,
    foundPercent: (100 * trials.filter((trial) => trial[knowing].reading.status === 'measured').length) / trials.length,
    rmsOverBound: rms(over),
    medianOverBound: medianSize(over),
    biasOverBound: over.reduce((a, b) => a + b, 0) / over.length,
    spread: rms(overSigma),
    medianSpread: medianSize(overSigma),
    signErrors: trials.filter((trial) => isSignError(trial.truth, trial[knowing].reading)).length,
    rmsPx: rms(errors.map(({ px }) => px)),
    wallMs: percentiles(trials.map((trial) => trial[knowing].wallMs)),
    cpuMs: percentiles(trials.map((trial) => trial[knowing].cpuMs)),
    reasons: countReasons(trials.map((trial) => trial[knowing].reading)),
  };
}

export function countReasons(readings: Reading[]): Record<string, number> {
  const reasons: Record<string, number> = {};
  for (const reading of readings)
    if (reading.status === 'no-pattern') reasons[reading.reason] = (reasons[reading.reason] ?? 0) + 1;
  return reasons;
}

/** Measured less true; null where nothing is measured or the pairs overlap, so that only the side counts. */
export function errorPx(trial: Trial, knowing: Knowing): number | null {
  const { reading } = trial[knowing];
  if (reading.status !== 'measured' || trial.truth.merged) return null;
  return signedError(trial.truth, reading.offsetPx, reading.middleAngleDeg);
}

/** Measured less true; at ±90° both directions of u are the same line with the opposite sign. */
export function signedError(truth: Truth, offsetPx: number, middleAngleDeg: number): number {
  const turned = Math.abs(middleAngleDeg - truth.middleAngleDeg) > 90;
  return (turned ? -offsetPx : offsetPx) - truth.offsetPx;
}

export function isSignError(truth: Truth, reading: Reading): boolean {
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
