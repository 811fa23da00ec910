/**
 * The notebook's memory: from entries that were in focus, where the ring of a lens will have to stand
 * next time.
 *
 * **Model.** position = constant + zoom(f) + slope(f) · (T − T₀) + half the backlash · approach + noise.
 * A lens and its mount expand in proportion to temperature, so focus shifts linearly with it. Focal
 * length moves the focus of a zoom along a smooth curve that its maker chose: zoom(f) and the slope's
 * dependence on f are Gaussian processes over log f, positions an octave apart being half alike. The
 * last term is the slack of the ring: it stands elsewhere when focus is approached from the other side.
 *
 * **Why.** Each term has a prior stated as a share of the ring's scale, wide on purpose, so one entry
 * is enough for a prediction with an honest uncertainty, and each further entry tightens what it speaks
 * of. What an entry does not tell (temperature, focal length, approach) adds its own spread and carries
 * nothing over. All is linear in the unknowns: one symmetric system gives mean and variance
 * (Rasmussen & Williams, Gaussian Processes for Machine Learning, §2.2, 5.4.2).
 *
 * **Bad entries.** Each is judged by what the others predict for it. Beyond two standard deviations it
 * is given the noise that would put it at two, so a misread ring hardly moves the answer: an
 * M-estimator that lets go of what lies far out (Huber, Robust Statistics, §4.8, 7.8). The noise is
 * estimated from the weighted residuals, with a prior worth six entries.
 */
import { invert } from '../pattern/solve.ts';
import { median } from '../track/fit.ts';
import type { Entry } from './entry.ts';

/** One ring position in focus, in the ring's unit. */
export interface RingPoint {
  id: string;
  position: number;
  focalMm: number | null;
  temperatureC: number | null;
  /** +1 when the ring's numbers rose on the last way to focus, −1 when they fell, null not known. */
  approach: 1 | -1 | null;
}

/** Standard deviations known beforehand, in ring units unless the name says otherwise. */
export interface RingPriors {
  /** Of the position itself: wide, so that it does not matter. */
  constant: number;
  /** Of the shift by zooming, at any focal length. */
  zoom: number;
  /** Of the shift per °C. */
  perDegree: number;
  /** Of half the backlash. */
  halfBacklash: number;
  /** Reading the ring, and stopping anywhere inside the depth of focus. */
  noise: number;
  /** Entries that the knowledge of `noise` is worth. */
  noiseWorth: number;
}

/** Where to start. */
export interface RingPrediction {
  position: number;
  /** One standard deviation of the next reading in focus. */
  sigma: number;
  /** Bounds of the 95 % prediction interval (Student's t). */
  low95: number;
  high95: number;
  /** Entries that it rests on. */
  entries: number;
}

/** An entry against what all the others predict for it. */
export interface RingResidual {
  id: string;
  /** Read minus predicted, ring units. */
  residual: number;
  /** The same in standard deviations of that prediction. */
  z: number;
  /** 1 for an ordinary entry, less the further it lies out. */
  weight: number;
  /** Hardly to be explained by chance: misread, another lens, or not in focus. */
  bad: boolean;
}

export interface RingConditions {
  focalMm: number | null;
  temperatureC: number | null;
  approach?: 1 | -1 | null;
}

export interface Estimate {
  value: number;
  sigma: number;
}

/** Length of a scale where nobody has told it, in its unit (common practice, no source). */
export const RING_UNITS = { marks: 10, degrees: 120, mm: 80, steps: 2000 } as const;
export type RingUnit = keyof typeof RING_UNITS;

/** The newest so many entries of a lens are used: older ones may be from before a repair or another tape. */
export const MOST_ENTRIES = 120;
/** Temperature where none was written down spreads by this, °C (common practice, no source). */
const UNKNOWN_SPREAD_C = 8;
/** Focal lengths this many octaves apart are alike by exp(−½). */
const OCTAVES = 1;
/** Share of the thermal slope that all focal lengths have in common. */
const COMMON_SLOPE = 0.5;
/** An entry further out than this many standard deviations is trusted less. */
const TRUSTED = 2;
/** E[w² z²] / E[w] of a standard normal z with w = min(1, (2/z)²): what the weighted squares are worth. */
const WEIGHTED = 0.8846;
const HUBER_ROUNDS = 8;
const MOST_ROUNDS = 40;
/** Normal quantiles of 97.5 % and 99.95 %. */
const Z95 = 1.959964;
const Z_BAD = 3.290527;

/**
 * The priors for a ring whose scale is `span` long. The shares are common practice without a source:
 * wide enough for the lenses that the tests draw, see the coverage there.
 * @param backlash as measured by the user, null when not known
 */
export function ringPriors(span: number, backlash: number | null = null): RingPriors {
  return {
    constant: 3 * span,
    zoom: 0.06 * span,
    perDegree: 0.004 * span,
    halfBacklash: backlash === null ? 0.01 * span : Math.max(backlash / 2, 1e-6 * span),
    noise: 0.015 * span,
    noiseWorth: 6,
  };
}

/** Entries of one lens that were in focus, with their ring read in `unit`, newest first. */
export function ringPoints(entries: readonly Entry[], lens: string, unit: string): RingPoint[] {
  return entries
    .filter(
      (entry) =>
        entry.lens === lens && entry.ringUnit === unit && entry.verdict === 'in-focus' && entry.ringPosition !== null,
    )
    .toSorted((a, b) => b.timeUtc.localeCompare(a.timeUtc))
    .map(({ id, ringPosition, focalMm, temperatureC, approach }) => ({
      id,
      position: ringPosition!,
      focalMm,
      temperatureC,
      approach: approach === null ? null : approach === 'rising' ? 1 : -1,
    }));
}

/** What the entries of one lens teach. */
export class RingModel {
  readonly residuals: readonly RingResidual[];
  /** Standard deviation of one reading. */
  readonly noise: number;
  /** Degrees of freedom of `noise`. */
  readonly freedom: number;
  readonly #points: readonly RingPoint[];
  readonly #priors: RingPriors;
  /** Temperature and position that the unknowns refer to. */
  readonly #middleC: number;
  readonly #middle: number;
  readonly #inverse: Float64Array[];
  /** Inverse covariance times positions. */
  readonly #pull: number[];

  /**
   * @param points newest first; all in one unit
   * @throws RangeError when there is none
   */
  constructor(points: readonly RingPoint[], priors: RingPriors) {
    if (points.length === 0) throw new RangeError('a ring model needs at least one entry in focus');
    this.#points = points.slice(0, MOST_ENTRIES);
    this.#priors = priors;
    const temperaturesC = this.#points.flatMap(({ temperatureC }) => temperatureC ?? []);
    this.#middleC = temperaturesC.length > 0 ? median(temperaturesC) : 0;
    this.#middle = median(this.#points.map(({ position }) => position));

    const positions = this.#points.map(({ position }) => position - this.#middle);
    const alike = this.#points.map((a) => this.#points.map((b) => this.#covariance(a, b)));
    const { zoom, perDegree, halfBacklash, noiseWorth } = priors;
    let { noise } = priors;
    // To begin with, what is far from all that is likely is trusted little.
    const likely = Math.hypot(zoom, perDegree * UNKNOWN_SPREAD_C, halfBacklash, noise);
    let weights = positions.map((position) => weightOf(position / likely, 2));
    let solved = solve(alike, positions, noise, weights);
    for (let round = 0; round < MOST_ROUNDS; round++) {
      // First as Huber's loss does, which has one answer only; then letting go of what lies far out.
      weights = solved.left.map((left, i) => weightOf(left / solved.sigmas[i], round < HUBER_ROUNDS ? 1 : 2));
      const before = noise;
      const squares = solved.misfit / WEIGHTED;
      noise = Math.sqrt((noiseWorth * priors.noise ** 2 + squares) / (noiseWorth + solved.free));
      solved = solve(alike, positions, noise, weights);
      if (round > HUBER_ROUNDS && Math.abs(noise / before - 1) < 1e-9) break;
    }
    this.noise = noise;
    this.freedom = Math.max(1, noiseWorth + solved.free);
    this.#inverse = solved.inverse;
    this.#pull = solved.pull;
    const beyond = (i: number) =>
      studentQuantile(Z_BAD, effectiveFreedom(solved.sigmas[i], noise, this.freedom)) * solved.sigmas[i];
    this.residuals = this.#points.map(({ id }, i) => ({
      id,
      residual: solved.left[i],
      z: solved.left[i] / solved.sigmas[i],
      weight: weights[i],
      // Of two that disagree nobody can say which one is wrong.
      bad: this.#points.length > 2 && Math.abs(solved.left[i]) > beyond(i),
    }));
  }

  /** The reading to expect in focus. Unknown conditions are allowed and widen it. */
  predict({ focalMm, temperatureC, approach = null }: RingConditions): RingPrediction {
    const { value, sigma: shapeSigma } = this.#project({ id: '', position: 0, focalMm, temperatureC, approach });
    const sigma = Math.hypot(shapeSigma, this.noise);
    const half = studentQuantile(Z95, effectiveFreedom(sigma, this.noise, this.freedom)) * sigma;
    const position = this.#middle + value;
    return { position, sigma, low95: position - half, high95: position + half, entries: this.#points.length };
  }

  /** How the ring has to move as it gets warmer, ring units per °C. */
  perDegree(focalMm: number | null): Estimate {
    const { perDegree } = this.#priors;
    return this.#linear(
      this.#points.map((point) =>
        point.temperatureC === null
          ? 0
          : (point.temperatureC - this.#middleC) * perDegree ** 2 * slopeAlike(focalMm, point.focalMm),
      ),
      perDegree ** 2,
    );
  }

  /** How far the ring's reading at focus differs between the two sides it can be approached from. */
  backlash(): Estimate {
    const { halfBacklash } = this.#priors;
    const half = this.#linear(
      this.#points.map(({ approach }) => (approach ?? 0) * halfBacklash ** 2),
      halfBacklash ** 2,
    );
    return { value: 2 * half.value, sigma: 2 * half.sigma };
  }

  #project(point: RingPoint): Estimate {
    const across = this.#points.map((known) => this.#covariance(known, point));
    return this.#linear(across, this.#covariance(point, point));
  }

  /** Mean and spread of an unknown, from its covariance with the entries' positions and its own variance. */
  #linear(across: number[], variance: number): Estimate {
    const value = dot(across, this.#pull);
    const explained = dot(
      across,
      this.#inverse.map((row) => dot(row, across)),
    );
    return { value, sigma: Math.sqrt(Math.max(0, variance - explained)) };
  }

  /** Prior covariance of two noise-free positions. */
  #covariance(a: RingPoint, b: RingPoint): number {
    const { constant, zoom, perDegree, halfBacklash } = this.#priors;
    const same = a === b;
    const zoomed = zoom ** 2 * (same ? 1 : alikeness(a.focalMm, b.focalMm));
    const warmer = (point: RingPoint) => (point.temperatureC === null ? 0 : point.temperatureC - this.#middleC);
    const unknownC = same && a.temperatureC === null ? UNKNOWN_SPREAD_C ** 2 : 0;
    const slope = same ? 1 : slopeAlike(a.focalMm, b.focalMm);
    const thermal = perDegree ** 2 * (warmer(a) * warmer(b) * slope + unknownC);
    const slack = halfBacklash ** 2 * (same ? 1 : (a.approach ?? 0) * (b.approach ?? 0));
    return constant ** 2 + zoomed + thermal + slack;
  }
}

/** 1 for the same focal length, falling with the octaves between; 0 where one is not known. */
function alikeness(aMm: number | null, bMm: number | null): number {
  if (aMm === null || bMm === null) return 0;
  return Math.exp(-0.5 * (Math.log2(aMm / bMm) / OCTAVES) ** 2);
}

function slopeAlike(aMm: number | null, bMm: number | null): number {
  return COMMON_SLOPE + (1 - COMMON_SLOPE) * alikeness(aMm, bMm);
}

interface Solved {
  inverse: Float64Array[];
  pull: number[];
  /** What each entry differs from the prediction of all others, and that prediction's standard deviation. */
  left: number[];
  sigmas: number[];
  /** Degrees of freedom left by the fit, and sum of squares, both weighted. */
  free: number;
  misfit: number;
}

/** Leave-one-out from one inverse: Rasmussen & Williams, eq. 5.12. */
function solve(alike: number[][], positions: number[], noise: number, weights: number[]): Solved {
  const own = weights.map((weight) => noise ** 2 / weight);
  const inverse = invert(
    alike.map((row, i) => Float64Array.from(row, (value, j) => (i === j ? value + own[i] : value))),
  );
  if (!inverse) throw new RangeError('the ring entries cannot be fitted; look for a wild number among them');
  const pull = inverse.map((row) => dot(row, positions));
  const left = pull.map((value, i) => value / inverse[i][i]);
  const sigmas = inverse.map((row, i) => Math.sqrt(Math.max(0, 1 / row[i] - own[i]) + noise ** 2));
  const free = own.reduce((sum, variance, i) => sum + weights[i] * variance * inverse[i][i], 0);
  const misfit = own.reduce((sum, variance, i) => sum + (weights[i] * variance * pull[i]) ** 2, 0);
  return { inverse, pull, left, sigmas, free, misfit };
}

/** What an entry `z` standard deviations out is worth. */
const weightOf = (z: number, power: 1 | 2): number => Math.min(1, (TRUSTED / Math.abs(z)) ** power);

/**
 * Quantile of Student's t that has the probability of the normal quantile `z` (Abramowitz & Stegun 26.7.5).
 * @param freedom degrees of freedom, 3 or more for an error below 1 % at z = 2, 5 or more at z = 3.3
 */
export function studentQuantile(z: number, freedom: number): number {
  const g1 = (z ** 3 + z) / 4;
  const g2 = (5 * z ** 5 + 16 * z ** 3 + 3 * z) / 96;
  const g3 = (3 * z ** 7 + 19 * z ** 5 + 17 * z ** 3 - 15 * z) / 384;
  const g4 = (79 * z ** 9 + 776 * z ** 7 + 1482 * z ** 5 - 1920 * z ** 3 - 945 * z) / 92160;
  return z + g1 / freedom + g2 / freedom ** 2 + g3 / freedom ** 3 + g4 / freedom ** 4;
}

/** Of a sum of variances only one of which is uncertain (Welch–Satterthwaite; GUM G.4.1). */
function effectiveFreedom(sigma: number, noise: number, freedom: number): number {
  return freedom * (sigma / noise) ** 4;
}

function dot(a: ArrayLike<number>, b: ArrayLike<number>): number {
  let sum = 0;
  for (let i = 0; i < a.length; i++) sum += a[i] * b[i];
  return sum;
}
