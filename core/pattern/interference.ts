/**
 * What two zones' spots have in common. Gratings' orders are fields: where the far light of one zone's spot reaches
 * another one's, they interfere. A place is lit by all wavelengths near one. As the wavelength changes, the whole pattern
 * grows about the star, so that the place moves in it along the ray from the star: summed over the wavelengths only rays of
 * both zones count that agree along this ray, and the sum over a zone's chords that gives the line
 * spread (see lineSpread.ts) gives this, too:
 *   S = Σ_a E_z(a) E_w*(a),   E(a) = A(a, L sin φ) exp(2πi a L cos φ),
 * A being the field of the chord at a across the ray, φ the angle from the ray to the zone's line, L the
 * distance from the star in λN. The light is 2 √(a_z a_w) F(r) Re(exp(i s Δ) S), s being the side. Δ depends on how
 * the gratings happen to sit: its cosine and sine are fitted for each two zones.
 */
import {
  atWavelength,
  type Chord,
  chordField,
  meanRay,
  phaseAcross,
  rayAcross,
  rayReach,
  totalLength,
  type Wave,
  ZoneSpread,
} from '../optics/lineSpread.ts';
import type { ZoneShape } from '../optics/mask.ts';
import { ZONES } from './lines.ts';
import { blur, type CrossProfiles, gaussianKernel } from './profiles.ts';

/** Radial places for which it is computed. */
const NODES = 5;
/** Places across a line for each λN. */
const PER_AIRY = 4;
/** Farther beyond its own rays than this, λN, a zone has too little light to show anything. */
const TAIL_AIRY = 2;
/** Farther than this from all rays of a chord, λN, its two ends stand for its field. */
const FAR = 6;

interface Basis {
  re: Float64Array;
  im: Float64Array;
}

/** The tables made last: fits with and without aberration start from the same lines. */
let made: { key: string; tables: Basis[][][] } = { key: '', tables: [] };

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
    this.stepPx = airyPx / PER_AIRY;
    this.half = Math.ceil(((rayReach(wave) + TAIL_AIRY) * airyPx + 6 * blurPx) / this.stepPx);
    const key = JSON.stringify([cross.shape, wave, lineAngles, airyPx, blurPx, distancePx, from, to]);
    if (made.key !== key) made = { key, tables: this.compute(cross, wave, lineAngles, airyPx, blurPx, distancePx) };
    this.tables = made.tables;
  }

  private compute(
    cross: CrossProfiles,
    wave: Wave,
    lineAngles: number[],
    airyPx: number,
    blurPx: number,
    distancePx: number,
  ): Basis[][][] {
    const count = 2 * this.half + 1;
    const zones = cross.zones.map((_, zone) => zone);
    const tables = zones.map(() => zones.map(() => [emptyBasis(NODES * count), emptyBasis(NODES * count)]));
    const kernel = gaussianKernel(blurPx / this.stepPx);
    for (let node = 0; node < NODES; node++) {
      const ratio = (this.from + node * this.nodeStep) / distancePx;
      const lambdaPx = airyPx * ratio;
      const step = this.stepPx / lambdaPx;
      const there = atWavelength(wave, ratio);
      for (const [z, zone] of cross.zones.entries()) {
        const first = meanRay(there, zone.centroidAcross, zone.cubicAcross) - this.half * step;
        for (const [k, side] of [1, -1].entries()) {
          const sums = zones.map(() => emptyBasis(count));
          const along = (side * distancePx) / airyPx;
          for (const { ray, start, end } of raysTo(first, step, count, along)) {
            const places = { ray: lineAngles[z] + ray, first: first + start * step, step, count: end - start };
            const fields = zones.map((other) => fieldsOf(cross.shape, other, lineAngles, z, there, along, places));
            for (const other of zones)
              if (other !== z) addCommon(fields[z], fields[other], part(sums[other], start, end));
          }
          for (const other of zones) {
            const scale = 1 / Math.sqrt(totalLength(zone.chords) * totalLength(cross.zones[other].chords));
            const { re, im } = part(tables[z][other][k], node * count, (node + 1) * count);
            blur(sums[other].re, kernel, scale / lambdaPx, re);
            blur(sums[other].im, kernel, scale / lambdaPx, im);
          }
        }
      }
    }
    return tables;
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

function emptyBasis(length: number): Basis {
  return { re: new Float64Array(length), im: new Float64Array(length) };
}

function part({ re, im }: Basis, start: number, end: number): Basis {
  return { re: re.subarray(start, end), im: im.subarray(start, end) };
}

/** A turn of a degree changes chords by less than their own distance; places whose rays differ by less go together. */
const RAY_STEP = Math.PI / 180;

/** The rays from the star, turned from a line by `ray`, that lead to places across it, and which places. */
function* raysTo(first: number, step: number, count: number, along: number) {
  const steps = (k: number) => Math.round(Math.atan((first + k * step) / along) / RAY_STEP);
  for (let start = 0, end = 0; start < count; start = end) {
    while (end < count && steps(end) === steps(start)) end++;
    yield { ray: steps(start) * RAY_STEP, start, end };
  }
}

/** Places across a line: from `first` on, `step` apart, λN from the line through the star, and the ray to them. */
interface Places {
  ray: number;
  first: number;
  step: number;
  count: number;
}

/** The field of each of a zone's chords, by the chord's place along the ray. */
type Fields = Map<number, Basis>;

/**
 * The fields of a zone's chords across a ray.
 * @param line whose places they are
 * @param along place along the line, λN, negative on the other side of the star
 */
function fieldsOf(
  shape: ZoneShape,
  zone: number,
  lineAngles: number[],
  line: number,
  wave: Wave,
  along: number,
  { ray, first, step, count }: Places,
): Fields {
  const toRay = lineAngles[line] - ray;
  const toLine = lineAngles[zone] - ray;
  // Places and the zone's spot as seen along the ray.
  const firstRho = first * Math.cos(toRay) + along * (Math.sin(toRay) - Math.sin(toLine));
  const stepRho = step * Math.cos(toRay);
  const { chords } = new ZoneSpread(shape, ZONES[zone], (ray * 180) / Math.PI);
  return new Map(
    chords.map((chord) => {
      const field = emptyBasis(count);
      if (isFar(chord, wave, firstRho, firstRho + (count - 1) * stepRho))
        farField(chord, wave, firstRho, stepRho, field);
      else chordField(chord, wave, firstRho, stepRho, field.re, field.im);
      turnBy(field, 2 * Math.PI * chord.at * along * Math.cos(toLine));
      return [chord.at, field];
    }),
  );
}

function turnBy({ re, im }: Basis, phase: number): void {
  const [cos, sin] = [Math.cos(phase), Math.sin(phase)];
  for (let k = 0; k < re.length; k++) {
    const real = re[k];
    re[k] = real * cos - im[k] * sin;
    im[k] = im[k] * cos + real * sin;
  }
}

function isFar({ at, from, to }: Chord, wave: Wave, first: number, last: number): boolean {
  const rays = [rayAcross(at, from, wave), rayAcross(at, to, wave)];
  return Math.min(...rays) - last > FAR || first - Math.max(...rays) > FAR;
}

/** A chord's field far from where its rays land, by its ends: i exp(iπ (end (q end − 2 ρ) + 32 w r⁴)) / 2π beyond. */
function farField({ at, from, to }: Chord, wave: Wave, first: number, step: number, { re, im }: Basis): void {
  for (const [end, sign] of [
    [to, 1],
    [from, -1],
  ]) {
    const phase = phaseAcross(at, end, wave, first);
    let [cos, sin] = [Math.cos(phase), Math.sin(phase)];
    const [turnCos, turnSin] = [Math.cos(2 * Math.PI * end * step), -Math.sin(2 * Math.PI * end * step)];
    const ray = rayAcross(at, end, wave);
    for (let k = 0; k < re.length; k++) {
      const size = sign / (2 * Math.PI * (first + k * step - ray));
      re[k] -= size * sin;
      im[k] += size * cos;
      const next = cos * turnCos - sin * turnSin;
      sin = sin * turnCos + cos * turnSin;
      cos = next;
    }
  }
}

/** S for two zones' fields at the same places. */
function addCommon(zone: Fields, other: Fields, { re, im }: Basis): void {
  for (const [at, one] of zone) {
    const partner = other.get(at);
    if (!partner) continue;
    for (let k = 0; k < re.length; k++) {
      re[k] += one.re[k] * partner.re[k] + one.im[k] * partner.im[k];
      im[k] += one.im[k] * partner.re[k] - one.re[k] * partner.im[k];
    }
  }
}
