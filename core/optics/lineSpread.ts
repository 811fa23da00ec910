/**
 * Line spread of a zone: how its light in one first-order spot is spread across the line of the pair.
 *
 * The spectrum smears a spot along its line, so only the spread across it can be seen. By Parseval's
 * theorem along the line, that is the sum over chords of the zone, each a one-dimensional aperture:
 *   L(ρ) = ∫ da | ∫ exp(iπ Q b²) exp(−2πi b ρ) db |²,
 * (a, b) being pupil coordinates along and across the line in units of D, ρ in units of λN, and
 * Q = dz / (λN²), two at the quarter-wave depth of focus (Goodman, Introduction to Fourier Optics, ch. 4–6).
 */
import { type Zone, type ZoneShape, zoneAt } from './mask.ts';

/** Samples per λN. */
export const SAMPLES_PER_AIRY = 6;
/** The same along the line, where the spectrum smears it. */
export const SAMPLES_ALONG = 4;
/** Diffraction is followed this far beyond the outermost rays, λN. */
const TAIL_AIRY = 14;
/** Step of Q between tabulated profiles; in between they are interpolated. */
export const Q_STEP = 0.5;
const CHORDS = 40;
const CELLS = 96;

/** How a zone's light is spread about its mean ray, in units of λN; each table's sum is 1. */
interface Spread {
  /** L across the line; index `centre` is the mean ray. */
  centre: number;
  line: Float64Array;
  /** The same light in two dimensions, `alongCount` rows of `line.length` values; row `alongCentre` is the mean ray. */
  alongCentre: number;
  alongCount: number;
  point: Float32Array;
}

export interface Chord {
  /** Place along the line, D. */
  at: number;
  /** Ends across it. */
  from: number;
  to: number;
}

/** A zone as seen from its own line: chords across the line, and its centroid. */
interface ZoneChords {
  chords: Chord[];
  centroidAcross: number;
  centroidAlong: number;
  spread: Map<number, Spread>;
}

const zones = new Map<string, ZoneChords>();

/** All zones are convex, so each chord is one interval; its ends are found on a fine grid. */
function zoneChords({ layout, handedness, ribD }: ZoneShape, zone: Zone, turnDeg: number): ZoneChords {
  const key = `${layout} ${handedness} ${ribD} ${zone} ${turnDeg}`;
  const known = zones.get(key);
  if (known) return known;
  const turn = (turnDeg * Math.PI) / 180;
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
  const cells = 400;
  const chords: Chord[] = [];
  let area = 0;
  let sumAcross = 0;
  let sumAlong = 0;
  for (let i = 0; i < CHORDS; i++) {
    const at = (i + 0.5) / CHORDS - 0.5;
    let from = Infinity;
    let to = -Infinity;
    for (let j = 0; j < cells; j++) {
      const b = (j + 0.5) / cells - 0.5;
      if (zoneAt(layout, handedness, ribD, at * cos - b * sin, at * sin + b * cos) !== zone) continue;
      from = Math.min(from, b - 0.5 / cells);
      to = Math.max(to, b + 0.5 / cells);
    }
    if (to <= from) continue;
    chords.push({ at, from, to });
    area += to - from;
    sumAcross += (to - from) * ((from + to) / 2);
    sumAlong += (to - from) * at;
  }
  const result = { chords, centroidAcross: sumAcross / area, centroidAlong: sumAlong / area, spread: new Map() };
  zones.set(key, result);
  return result;
}

/** Rays of the zone at Q lie between these, λN from the axis. */
function rayRange(places: number[], q: number): { low: number; high: number } {
  return { low: Math.min(...places.map((place) => place * q)), high: Math.max(...places.map((place) => place * q)) };
}

/**
 * Spread of `zone` at Q = index · Q_STEP, across a line turned by `turnDeg` from the middle line.
 * @param index may be negative: the spread is then turned round
 */
function tabulated(shape: ZoneChords, index: number): Spread {
  const known = shape.spread.get(index);
  if (known) return known;
  const q = index * Q_STEP;
  const { chords } = shape;
  const across = shape.centroidAcross * q;
  const along = shape.centroidAlong * q;
  const rays = rayRange(
    chords.flatMap(({ from, to }) => [from, to]),
    q,
  );
  const reach = Math.ceil((Math.max(rays.high - across, across - rays.low) + TAIL_AIRY) * SAMPLES_PER_AIRY);
  const count = 2 * reach + 1;
  const alongRays = rayRange(
    chords.map(({ at }) => at),
    q,
  );
  const alongReach = Math.ceil((Math.max(alongRays.high - along, along - alongRays.low) + TAIL_AIRY) * SAMPLES_ALONG);
  const alongCount = 2 * alongReach + 1;
  const line = new Float64Array(count);
  const [fieldRe, fieldIm] = [new Float64Array(alongCount * count), new Float64Array(alongCount * count)];
  const [re, im] = [new Float64Array(count), new Float64Array(count)];
  for (const chord of chords) {
    chordField(chord, q, across - reach / SAMPLES_PER_AIRY, re, im);
    for (let k = 0; k < count; k++) line[k] += re[k] * re[k] + im[k] * im[k];
    for (let row = 0; row < alongCount; row++) {
      const rho = along + (row - alongReach) / SAMPLES_ALONG;
      const phase = Math.PI * chord.at * (q * chord.at - 2 * rho);
      const [cos, sin] = [Math.cos(phase), Math.sin(phase)];
      for (let k = 0, at = row * count; k < count; k++, at++) {
        fieldRe[at] += cos * re[k] - sin * im[k];
        fieldIm[at] += cos * im[k] + sin * re[k];
      }
    }
  }
  const point = new Float32Array(alongCount * count);
  for (let i = 0; i < point.length; i++) point[i] = fieldRe[i] ** 2 + fieldIm[i] ** 2;
  const result = {
    centre: reach,
    line: normalised(line),
    alongCentre: alongReach,
    alongCount,
    point: normalised(point),
  };
  shape.spread.set(index, result);
  return result;
}

function normalised<T extends Float32Array | Float64Array>(values: T): T {
  let sum = 0;
  for (const value of values) sum += value;
  for (let k = 0; k < values.length; k++) values[k] /= sum;
  return values;
}

/** Sum of the chords' lengths: what the sum of their squared fields is normalised by. */
export function totalLength(chords: readonly Chord[]): number {
  return chords.reduce((sum, { from, to }) => sum + to - from, 0);
}

/** Far field of one chord, ∫ exp(iπ Q b²) exp(−2πi b ρ) db, at ρ = firstRho + k / SAMPLES_PER_AIRY. */
export function chordField({ from, to }: Chord, q: number, firstRho: number, re: Float64Array, im: Float64Array): void {
  // Enough cells that the chirp's phase turns by less than a quarter between them.
  const cells = Math.max(CELLS, Math.ceil(4 * (Math.abs(q) + 2 * TAIL_AIRY)));
  const step = (to - from) / cells;
  for (let k = 0; k < re.length; k++) {
    const rho = firstRho + k / SAMPLES_PER_AIRY;
    let [sumRe, sumIm] = [0, 0];
    // The phase π q b² − 2π b ρ by its second differences: no cosine per cell.
    let b = from + step / 2;
    const phase = Math.PI * (q * b * b - 2 * b * rho);
    const first = Math.PI * (q * step * (2 * b + step) - 2 * step * rho);
    const second = 2 * Math.PI * q * step * step;
    let [cr, ci] = [Math.cos(phase), Math.sin(phase)];
    let [dr, di] = [Math.cos(first), Math.sin(first)];
    const [er, ei] = [Math.cos(second), Math.sin(second)];
    for (let j = 0; j < cells; j++) {
      sumRe += cr;
      sumIm += ci;
      b = cr * dr - ci * di;
      ci = cr * di + ci * dr;
      cr = b;
      b = dr * er - di * ei;
      di = dr * ei + di * er;
      dr = b;
    }
    re[k] = sumRe * step;
    im[k] = sumIm * step;
  }
}

/** A zone's spread at any Q, by interpolation between tabulated ones. */
export class ZoneSpread {
  private readonly shape: ZoneChords;
  constructor(shape: ZoneShape, zone: Zone, turnDeg: number) {
    // A degree of turn changes the chords by less than the table's own step does.
    this.shape = zoneChords(shape, zone, Math.round(turnDeg));
  }

  /** Chords across the line; the places along it for which there are some are the same for all zones and lines. */
  get chords(): readonly Chord[] {
    return this.shape.chords;
  }

  /** Centroid of the zone across its line, units of D. */
  get centroidAcross(): number {
    return this.shape.centroidAcross;
  }

  /** Centroid of the zone along its line, units of D. */
  get centroidAlong(): number {
    return this.shape.centroidAlong;
  }

  /**
   * Density per λN at `rhos` λN from the zone's mean ray.
   * @param out filled with one value for each k: ρ = first + k · step
   */
  sample(q: number, first: number, step: number, out: Float64Array): void {
    const place = q / Q_STEP;
    const index = Math.floor(place);
    const fraction = place - index;
    out.fill(0);
    this.add(tabulated(this.shape, index), (1 - fraction) * SAMPLES_PER_AIRY, first, step, out);
    if (fraction > 0) this.add(tabulated(this.shape, index + 1), fraction * SAMPLES_PER_AIRY, first, step, out);
  }

  /**
   * The spread in two dimensions, gathered along the line into bins with the weights of linear interpolation.
   * @param step of the bins, λN; the middle one stands at the mean ray
   * @param first, acrossStep as in `sample`
   * @param out bins × across values, an odd number of bins; filled with densities per λN across
   */
  sampleAlong(q: number, step: number, first: number, acrossStep: number, bins: number, out: Float64Array): void {
    const place = q / Q_STEP;
    const index = Math.floor(place);
    const fraction = place - index;
    const across = out.length / bins;
    out.fill(0);
    for (const [at, weight] of [
      [index, 1 - fraction],
      [index + 1, fraction],
    ]) {
      if (weight === 0) continue;
      const spread = tabulated(this.shape, at);
      const { line, alongCentre, alongCount, point } = spread;
      const count = line.length;
      const gathered = new Float64Array(bins * count);
      for (let row = 0; row < alongCount; row++) {
        const bin = (row - alongCentre) / SAMPLES_ALONG / step + (bins >> 1);
        const low = Math.floor(bin);
        for (const [target, share] of [
          [low, 1 - (bin - low)],
          [low + 1, bin - low],
        ]) {
          if (target < 0 || target >= bins) continue;
          for (let k = 0, from = row * count, to = target * count; k < count; k++, from++, to++)
            gathered[to] += share * point[from];
        }
      }
      for (let bin = 0; bin < bins; bin++)
        this.add(
          { centre: spread.centre, line: gathered.subarray(bin * count, (bin + 1) * count) },
          weight * SAMPLES_PER_AIRY,
          first,
          acrossStep,
          out.subarray(bin * across, (bin + 1) * across),
        );
    }
  }

  private add(
    { centre, line: values }: Pick<Spread, 'centre' | 'line'>,
    weight: number,
    first: number,
    step: number,
    out: Float64Array,
  ): void {
    for (let k = 0; k < out.length; k++) {
      const place = centre + (first + k * step) * SAMPLES_PER_AIRY;
      const index = Math.floor(place);
      if (index < 0 || index >= values.length - 1) continue;
      const fraction = place - index;
      out[k] += weight * (values[index] * (1 - fraction) + values[index + 1] * fraction);
    }
  }
}
