/**
 * Line spread of a zone: how its light in one first-order spot is spread across the line of the pair.
 *
 * The spectrum smears a spot along its line, so only the spread across it can be seen. By Parseval's
 * theorem along the line, that is the sum over chords of the zone, each a one-dimensional aperture:
 *   L(ρ) = ∫ da | ∫ exp(iπ Q b²) exp(−2πi b ρ) db |²,
 * (a, b) being pupil coordinates along and across the line in units of D, ρ in units of λN, and
 * Q = dz / (λN²), two at the quarter-wave depth of focus (Goodman, Introduction to Fourier Optics, ch. 4–6).
 */
import { type Zone, type ZoneLayout, zoneAt } from './mask.ts';

/** Samples per λN. */
export const SAMPLES_PER_AIRY = 6;
/** Diffraction is followed this far beyond the outermost rays, λN. */
const TAIL_AIRY = 3.5;
/** Step of Q between tabulated profiles; in between they are interpolated. */
export const Q_STEP = 0.5;
const CHORDS = 28;
const CELLS = 96;

/** Samples of L about the zone's mean ray; index `centre` is the mean ray itself; the sum is 1. */
export interface LineSpread {
  centre: number;
  values: Float64Array;
}

interface Chord {
  from: number;
  to: number;
}

/** A zone as seen from its own line: chords across the line, and its centroid. */
interface ZoneChords {
  chords: Chord[];
  centroidAcross: number;
  centroidAlong: number;
  spread: Map<number, LineSpread>;
}

const zones = new Map<string, ZoneChords>();

/** All zones are convex, so each chord is one interval; its ends are found on a fine grid. */
function zoneChords(layout: ZoneLayout, handedness: 1 | -1, zone: Zone, turnDeg: number): ZoneChords {
  const key = `${layout} ${handedness} ${zone} ${turnDeg}`;
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
    const a = (i + 0.5) / CHORDS - 0.5;
    let from = Infinity;
    let to = -Infinity;
    for (let j = 0; j < cells; j++) {
      const b = (j + 0.5) / cells - 0.5;
      if (zoneAt(layout, handedness, 0, a * cos - b * sin, a * sin + b * cos) !== zone) continue;
      from = Math.min(from, b - 0.5 / cells);
      to = Math.max(to, b + 0.5 / cells);
    }
    if (to <= from) continue;
    chords.push({ from, to });
    area += to - from;
    sumAcross += (to - from) * ((from + to) / 2);
    sumAlong += (to - from) * a;
  }
  const result = { chords, centroidAcross: sumAcross / area, centroidAlong: sumAlong / area, spread: new Map() };
  zones.set(key, result);
  return result;
}

/**
 * Line spread of `zone` at Q = index · Q_STEP, across a line turned by `turnDeg` from the middle line.
 * @param index may be negative: the spread is then mirrored
 */
function tabulated(shape: ZoneChords, index: number): LineSpread {
  const known = shape.spread.get(index);
  if (known) return known;
  const q = index * Q_STEP;
  let low = Infinity;
  let high = -Infinity;
  for (const { from, to } of shape.chords) {
    low = Math.min(low, from * q, to * q);
    high = Math.max(high, from * q, to * q);
  }
  const mean = shape.centroidAcross * q;
  const reach = Math.ceil((Math.max(high - mean, mean - low) + TAIL_AIRY) * SAMPLES_PER_AIRY);
  const values = new Float64Array(2 * reach + 1);
  // Enough cells that the chirp's phase turns by less than a quarter between them.
  const cells = Math.max(CELLS, Math.ceil(4 * (Math.abs(q) + 2 * TAIL_AIRY)));
  for (const { from, to } of shape.chords) {
    const step = (to - from) / cells;
    for (let k = 0; k < values.length; k++) {
      const rho = mean + (k - reach) / SAMPLES_PER_AIRY;
      let re = 0;
      let im = 0;
      // The phase π q b² − 2π b ρ by its second differences: no cosine per cell.
      let b = from + step / 2;
      const phase = Math.PI * (q * b * b - 2 * b * rho);
      const first = Math.PI * (q * step * (2 * b + step) - 2 * step * rho);
      const second = 2 * Math.PI * q * step * step;
      let [cr, ci] = [Math.cos(phase), Math.sin(phase)];
      let [dr, di] = [Math.cos(first), Math.sin(first)];
      const [er, ei] = [Math.cos(second), Math.sin(second)];
      for (let j = 0; j < cells; j++) {
        re += cr;
        im += ci;
        b = cr * dr - ci * di;
        ci = cr * di + ci * dr;
        cr = b;
        b = dr * er - di * ei;
        di = dr * ei + di * er;
        dr = b;
      }
      values[k] += (re * re + im * im) * step * step;
    }
  }
  const sum = values.reduce((total, value) => total + value, 0);
  for (let k = 0; k < values.length; k++) values[k] /= sum;
  const result = { centre: reach, values };
  shape.spread.set(index, result);
  return result;
}

/** A zone's line spread at any Q, by interpolation between tabulated ones. */
export class ZoneSpread {
  private readonly shape: ZoneChords;
  constructor(layout: ZoneLayout, handedness: 1 | -1, zone: Zone, turnDeg: number) {
    // A degree of turn changes the chords by less than the table's own step does.
    this.shape = zoneChords(layout, handedness, zone, Math.round(turnDeg));
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

  private add({ centre, values }: LineSpread, weight: number, first: number, step: number, out: Float64Array): void {
    for (let k = 0; k < out.length; k++) {
      const place = centre + (first + k * step) * SAMPLES_PER_AIRY;
      const index = Math.floor(place);
      if (index < 0 || index >= values.length - 1) continue;
      const fraction = place - index;
      out[k] += weight * (values[index] * (1 - fraction) + values[index + 1] * fraction);
    }
  }
}
