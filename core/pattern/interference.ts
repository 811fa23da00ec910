/**
 * What two zones' spots have in common. Gratings' orders are fields: where the far light of one zone's spot reaches
 * another one's, they interfere. A place is lit by all wavelengths near one, whose spots all lie on the same radius, so
 * only rays of both zones count that agree along it, and the sum over a zone's chords that gives the line
 * spread (see lineSpread.ts) gives this, too:
 *   S = Σ_α A_z(α) A_w*(α) exp(2πi α s L (1 − cos θ)),
 * A being a chord's field at the place as seen from each zone's own spot, θ the angle between the lines, L the
 * distance from the star and s the side. The light is 2 √(a_z a_w) F(r) Re(exp(i s Δ) S). Δ depends on how
 * the gratings happen to sit: its cosine and sine are fitted for each two zones. Far from its spot a chord's field
 * comes from its two ends alone.
 */
import {
  atWavelength,
  type Chord,
  chordField,
  meanRay,
  SAMPLES_PER_AIRY,
  totalLength,
  type Wave,
  ZoneSpread,
} from '../optics/lineSpread.ts';
import { ZONES } from './model.ts';
import { blur, type CrossProfiles, gaussianKernel } from './profiles.ts';

/** Two zones at a time. */
export const PAIRS = [
  [0, 1],
  [0, 2],
  [1, 2],
] as const;

/** Radial places for which it is computed. */
const NODES = 3;
/** Nearer than this to the edge of a zone's rays, λN, its chords' ends do not stand for its field. */
const NEAREST = 2;

interface Basis {
  re: Float64Array;
  im: Float64Array;
}

export class Interference {
  private half = 0;
  private stepPx = 1;
  private from = 0;
  private nodeStep = 1;
  /** By zone, other zone and side: nodes × samples across. */
  private tables: Basis[][][] = [];

  /** Offset that it was computed for, px. */
  offsetPx = 0;

  /** Whether there is anything. */
  get isEmpty(): boolean {
    return this.tables.length === 0;
  }

  /** Computes it for an offset and W040 in waves; lengths in px, `lineAngles` in radians. */
  build(
    cross: CrossProfiles,
    offsetPx: number,
    lineAngles: number[],
    airyPx: number,
    w: number,
    blurPx: number,
    distancePx: number,
    from: number,
    to: number,
  ): void {
    const wave = cross.waveOf(offsetPx, airyPx, w);
    this.offsetPx = offsetPx;
    this.from = from;
    this.nodeStep = (to - from) / (NODES - 1);
    this.stepPx = airyPx / SAMPLES_PER_AIRY;
    this.half = Math.ceil((cross.corePx + 3 * blurPx) / this.stepPx);
    const count = 2 * this.half + 1;
    const empty = (): Basis => ({ re: new Float64Array(NODES * count), im: new Float64Array(NODES * count) });
    this.tables = cross.zones.map(() => cross.zones.map(() => [empty(), empty()]));
    const kernel = gaussianKernel(blurPx / this.stepPx);
    for (let node = 0; node < NODES; node++) {
      const ratio = (from + node * this.nodeStep) / distancePx;
      const lambdaPx = airyPx * ratio;
      const step = this.stepPx / lambdaPx;
      const there = atWavelength(wave, ratio);
      for (const [z, zone] of cross.zones.entries()) {
        const fields = fieldsOf(zone, there, -this.half * step, step, count);
        for (const [w, other] of cross.zones.entries()) {
          if (w === z) continue;
          // Rays of both zones count that agree along the first one's line.
          const { chords } = new ZoneSpread(cross.shape, ZONES[w], (lineAngles[z] * 180) / Math.PI);
          const scale = 1 / Math.sqrt(totalLength(zone.chords) * totalLength(other.chords));
          const turn = lineAngles[w] - lineAngles[z];
          for (const [k, side] of [1, -1].entries()) {
            const sum = common(fields, zone.chords, chords, scale, turn, there, side, distancePx / airyPx);
            const { re, im } = this.tables[z][w][k];
            const target = (values: Float64Array) => values.subarray(node * count, (node + 1) * count);
            blur(sum.re, kernel, 1 / lambdaPx, target(re));
            blur(sum.im, kernel, 1 / lambdaPx, target(im));
          }
        }
      }
    }
  }

  /** Of two zones at distance t across the first one's line and r along it: real and imaginary part of S, per px. */
  at(zone: number, other: number, side: 1 | -1, t: number, r: number, out: { re: number; im: number }): void {
    out.re = 0;
    out.im = 0;
    const place = t / this.stepPx + this.half;
    const count = 2 * this.half + 1;
    if (!(place >= 0 && place < count - 1)) return;
    const index = place | 0;
    const fraction = place - index;
    const node = Math.max(0, Math.min(NODES - 1.001, (r - this.from) / this.nodeStep));
    const base = (node | 0) * count + index;
    const weight = node - (node | 0);
    const { re, im } = this.tables[zone][other][side > 0 ? 0 : 1];
    out.re = bilinear(re, base, count, fraction, weight);
    out.im = bilinear(im, base, count, fraction, weight);
  }
}

function bilinear(table: Float64Array, at: number, row: number, x: number, y: number): number {
  const low = table[at] + y * (table[at + row] - table[at]);
  const high = table[at + 1] + y * (table[at + row + 1] - table[at + 1]);
  return low + x * (high - low);
}

/** The fields of a zone's chords at `count` places from `first` on, `step` apart, λN from its mean ray. */
interface Fields {
  /** Place of the first one from the axis, λN. */
  first: number;
  step: number;
  count: number;
  /** By chord. */
  re: Float64Array[];
  im: Float64Array[];
}

function fieldsOf(zone: ZoneSpread, wave: Wave, first: number, step: number, count: number): Fields {
  const mean = meanRay(wave, zone.centroidAcross, zone.cubicAcross);
  const fields: Fields = { first: first + mean, step, count, re: [], im: [] };
  const [re, im] = [0, 0].map(() => new Float64Array(Math.ceil(count * step * SAMPLES_PER_AIRY) + 2));
  const resampled = (values: Float64Array) =>
    Float64Array.from({ length: count }, (_, k) => {
      const place = k * step * SAMPLES_PER_AIRY;
      const index = place | 0;
      return values[index] + (place - index) * (values[index + 1] - values[index]);
    });
  for (const chord of zone.chords) {
    chordField(chord, wave, fields.first, re, im);
    fields.re.push(resampled(re));
    fields.im.push(resampled(im));
  }
  return fields;
}

/**
 * S across a zone's line for another zone whose line is turned by `turn` from it.
 * @param chords of the other zone, across the first one's line
 * @param scale what the two zones' fields are normalised by
 * @param distance of the spots, λN
 */
function common(
  { first, step, count, ...fields }: Fields,
  zone: readonly Chord[],
  chords: readonly Chord[],
  scale: number,
  turn: number,
  { q, w }: Wave,
  side: number,
  distance: number,
): Basis {
  const [re, im] = [new Float64Array(count), new Float64Array(count)];
  const apart = side * distance * (1 - Math.cos(turn));
  const aside = side * distance * Math.sin(turn);
  const partners = new Map<number, Chord>(chords.map((chord) => [chord.at, chord]));
  for (const [c, { at }] of zone.entries()) {
    const partner = partners.get(at);
    if (!partner) continue;
    const [chordRe, chordIm] = [fields.re[c], fields.im[c]];
    for (const [end, sign] of [
      [partner.to, scale],
      [partner.from, -scale],
    ]) {
      // Conjugate of the chord's field from this end, i exp(iπ (end (q end − 2 across) + 32 w r⁴)) / 2π beyond, turned
      // by how far apart the spots stand along the line; from place to place its phase grows by the same.
      const r2 = at * at + end * end;
      const phase = Math.PI * (end * (2 * (first - aside) - q * end) - 32 * w * r2 * r2 + 2 * at * apart);
      const ray = end * (q + 64 * w * r2);
      let [cos, sin] = [Math.cos(phase), Math.sin(phase)];
      const [turnCos, turnSin] = [Math.cos(2 * Math.PI * end * step), Math.sin(2 * Math.PI * end * step)];
      for (let k = 0; k < count; k++) {
        const beyond = first + k * step - aside - ray;
        if (Math.abs(beyond) >= NEAREST) {
          const size = sign / (2 * Math.PI * beyond);
          re[k] += size * (chordRe[k] * sin + chordIm[k] * cos);
          im[k] += size * (chordIm[k] * sin - chordRe[k] * cos);
        }
        const next = cos * turnCos - sin * turnSin;
        sin = sin * turnCos + cos * turnSin;
        cos = next;
      }
    }
  }
  return { re, im };
}
