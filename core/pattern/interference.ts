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
import type { ZoneShape } from '../optics/mask.ts';
import { ZONES } from './model.ts';
import { blur, type CrossProfiles, gaussianKernel } from './profiles.ts';

/** Two zones at a time. */
export const PAIRS = [
  [0, 1],
  [0, 2],
  [1, 2],
] as const;

/** Radial places for which it is computed. */
const NODES = 5;
/** Farther than this from all rays of a chord, λN, its two ends stand for its field. */
const FAR = 6;

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
        const first = meanRay(there, zone.centroidAcross, zone.cubicAcross) - this.half * step;
        const others = [0, 1, 2].filter((w) => w !== z);
        for (const [k, side] of [1, -1].entries()) {
          const along = (side * distancePx) / airyPx;
          const sums = others.map(() => empty1(count));
          for (let from = 0, to = 0; from < count; from = to) {
            const degreesAt = (k: number) =>
              Math.round((Math.atan2(first + k * step, Math.abs(along)) * side * 180) / Math.PI);
            const turn = degreesAt(from);
            for (to = from; to < count && degreesAt(to) === turn; ) to++;
            addCommon(
              cross.shape,
              lineAngles,
              z,
              others,
              turn,
              along,
              there,
              first + from * step,
              step,
              sums.map(({ re, im }) => ({ re: re.subarray(from, to), im: im.subarray(from, to) })),
            );
          }
          others.forEach((w, i) => {
            const scale = 1 / lambdaPx / Math.sqrt(totalLength(zone.chords) * totalLength(cross.zones[w].chords));
            const { re, im } = this.tables[z][w][k];
            const target = (values: Float64Array) => values.subarray(node * count, (node + 1) * count);
            blur(sums[i].re, kernel, scale, target(re));
            blur(sums[i].im, kernel, scale, target(im));
          });
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

/** The fields of a zone's chords at `count` places across its line, from `first` on (from the axis), `step` apart, λN. */
interface Fields {
  count: number;
  byChord: { at: number; re: Float64Array; im: Float64Array }[];
}

function fieldsOf(chords: readonly Chord[], wave: Wave, first: number, step: number, count: number): Fields {
  const [re, im] = [0, 0].map(() => new Float64Array(Math.ceil(count * step * SAMPLES_PER_AIRY) + 2));
  const resampled = (values: Float64Array) =>
    Float64Array.from({ length: count }, (_, k) => {
      const place = k * step * SAMPLES_PER_AIRY;
      const index = place | 0;
      return values[index] + (place - index) * (values[index + 1] - values[index]);
    });
  const byChord = chords.map((chord) => {
    if (!isFar(chord, wave, first, first + (count - 1) * step)) {
      chordField(chord, wave, first, re, im);
      return { at: chord.at, re: resampled(re), im: resampled(im) };
    }
    return { at: chord.at, ...farField(chord, wave, first, step, count) };
  });
  return { count, byChord };
}

/** Where a ray from an end of a chord lands across the line, λN. */
function rayOf(at: number, end: number, { q, w }: Wave): number {
  return end * (q + 64 * w * (at * at + end * end));
}

function isFar({ at, from, to }: Chord, wave: Wave, first: number, last: number): boolean {
  const rays = [rayOf(at, from, wave), rayOf(at, to, wave)];
  return Math.min(...rays) - last > FAR || first - Math.max(...rays) > FAR;
}

/** A chord's field far from where its rays land, by its ends: i exp(iπ (end (q end − 2 ρ) + 32 w r⁴)) / 2π beyond. */
function farField({ at, from, to }: Chord, wave: Wave, first: number, step: number, count: number): Basis {
  const [re, im] = [new Float64Array(count), new Float64Array(count)];
  for (const [end, sign] of [
    [to, 1],
    [from, -1],
  ]) {
    const r2 = at * at + end * end;
    const phase = Math.PI * (end * (wave.q * end - 2 * first) + 32 * wave.w * r2 * r2);
    let [cos, sin] = [Math.cos(phase), Math.sin(phase)];
    const [turnCos, turnSin] = [Math.cos(2 * Math.PI * end * step), -Math.sin(2 * Math.PI * end * step)];
    const ray = rayOf(at, end, wave);
    for (let k = 0; k < count; k++) {
      const size = sign / (2 * Math.PI * (first + k * step - ray));
      re[k] -= size * sin;
      im[k] += size * cos;
      const next = cos * turnCos - sin * turnSin;
      sin = sin * turnCos + cos * turnSin;
      cos = next;
    }
  }
  return { re, im };
}

function empty1(count: number): Basis {
  return { re: new Float64Array(count), im: new Float64Array(count) };
}

function addCommon(
  shape: ZoneShape,
  lineAngles: number[],
  z: number,
  others: number[],
  turnDeg: number,
  along: number,
  wave: Wave,
  first: number,
  step: number,
  out: Basis[],
): void {
  const [
    {
      re: { length: count },
    },
  ] = out;
  const g = (turnDeg * Math.PI) / 180;
  const chordsOf = (zone: number) =>
    new ZoneSpread(shape, ZONES[zone], (lineAngles[z] * 180) / Math.PI + turnDeg).chords;
  const fields = fieldsOf(chordsOf(z), wave, first * Math.cos(g), step * Math.cos(g), count);
  others.forEach((w, i) => {
    const turn = lineAngles[w] - lineAngles[z];
    const other = fieldsOf(
      chordsOf(w),
      wave,
      first * Math.cos(g) - along * (Math.sin(g) + Math.sin(turn - g)),
      step * Math.cos(g),
      count,
    );
    common(fields, other, along * (Math.cos(g) - Math.cos(turn - g)), out[i]);
  });
}

/**
 * S across a zone's line.
 * @param zone, other fields of both zones' chords across it
 * @param apart how much less far out the other zone's spot stands along the line, λN
 */
function common(zone: Fields, other: Fields, apart: number, { re, im }: Basis): void {
  const partners = new Map(other.byChord.map((field) => [field.at, field]));
  for (const one of zone.byChord) {
    const partner = partners.get(one.at);
    if (!partner) continue;
    const phase = 2 * Math.PI * one.at * apart;
    const [cos, sin] = [Math.cos(phase), Math.sin(phase)];
    for (let k = 0; k < zone.count; k++) {
      const productRe = one.re[k] * partner.re[k] + one.im[k] * partner.im[k];
      const productIm = one.im[k] * partner.re[k] - one.re[k] * partner.im[k];
      re[k] += productRe * cos - productIm * sin;
      im[k] += productIm * cos + productRe * sin;
    }
  }
}
