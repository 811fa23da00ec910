/**
 * Line spread of a zone: how its light in one first-order spot is spread across the line of the pair.
 *
 * The spectrum smears a spot along its line, so only the spread across it can be seen. By Parseval's
 * theorem along the line, that is the sum over chords of the zone, each a one-dimensional aperture:
 *   L(ρ) = ∫ da | ∫ exp(iπ Q b² + 32πi W r⁴) exp(−2πi b ρ) db |²,   r² = a² + b²,
 * (a, b) being pupil coordinates along and across the line in units of D, ρ in units of λN,
 * Q = dz / (λN²), two at the quarter-wave depth of focus (Goodman, Introduction to Fourier Optics, ch. 4–6), and
 * W the spherical aberration W040 in waves at the pupil's edge, where r is ½ (Welford, Aberrations of Optical Systems, ch. 7).
 */
import { type Zone, type ZoneEdge, type ZoneShape, zoneEdges } from './mask.ts';

/** Samples per λN. */
export const SAMPLES_PER_AIRY = 6;
/** The same along the line, where the spectrum smears it. */
export const SAMPLES_ALONG = 4;
/** Diffraction is followed this far beyond the outermost rays, λN; across the line not as far in two dimensions. */
const TAIL_AIRY = 14;
const TAIL_ACROSS = 9;
/** Steps of Q and of W between tabulated spreads; in between they are interpolated. */
const Q_STEP = 0.5;
const W_STEP = 0.1;
const CHORDS = 40;

/** How a zone's light is spread about its mean ray, tabulated in parts of λN; each table's sum is 1. */
interface Spread {
  /** Place of the mean ray in a line's values. */
  centre: number;
  /** Rows along the line, one where the light is summed along it; `centreRow` is the mean ray's. */
  rows: number;
  centreRow: number;
  /** Rows of values across the line. */
  values: Float32Array;
}

export interface Chord {
  /** Place along the line, D. */
  at: number;
  /** Ends across it. */
  from: number;
  to: number;
}

/** How the wave departs from the one that comes together in the image plane. */
export interface Wave {
  /** Q = dz / λN²: defocus. */
  q: number;
  /** W040: spherical aberration at the pupil's edge, waves. */
  w: number;
}

/** How far a zone's rays may land from its mean one, λN. */
export function rayReach({ q, w }: Wave): number {
  return 0.3 * (Math.abs(q) + 16 * Math.abs(w));
}

/** The same at another wavelength, `ratio` times as long. */
export function atWavelength({ q, w }: Wave, ratio: number): Wave {
  return { q: q / ratio, w: w / ratio };
}

/** Place of the mean ray of a zone, λN: where a zone's centroid c and its mean m of r² (a, b) put it. */
export function meanRay({ q, w }: Wave, centroid: number, cubic: number): number {
  return q * centroid + 64 * w * cubic;
}

/** A zone as seen from its own line: chords across the line, its centroid, and its mean of r² (a, b). */
interface ZoneChords {
  chords: Chord[];
  centroidAcross: number;
  centroidAlong: number;
  cubicAcross: number;
  cubicAlong: number;
  /** By steps of Q and W: summed along the line, and in two dimensions. */
  lines: Map<number, Spread>;
  points: Map<number, Spread>;
}

const zones = new Map<string, ZoneChords>();

/** Ends of the chord at a place along the line, D; null where the zone does not reach. */
function chordAt(at: number, turnRad: number, edges: ZoneEdge[]): Chord | null {
  const [cos, sin] = [Math.cos(turnRad), Math.sin(turnRad)];
  let to = Math.sqrt(0.25 - at * at);
  let from = -to;
  for (const { u, n, least } of edges) {
    // At b across the line, what the edge asks for is base + slope · b > least.
    const base = at * (u * cos + n * sin);
    const slope = n * cos - u * sin;
    if (slope > 0) from = Math.max(from, (least - base) / slope);
    else if (slope < 0) to = Math.min(to, (least - base) / slope);
    else if (base <= least) return null;
  }
  return to > from ? { at, from, to } : null;
}

function zoneChords(shape: ZoneShape, zone: Zone, turnDeg: number): ZoneChords {
  const key = `${shape.layout} ${shape.handedness} ${shape.ribD} ${zone} ${turnDeg}`;
  return kept(zones, key, () => {
    const edges = zoneEdges(shape, zone);
    const places = Array.from({ length: CHORDS }, (_, i) => (i + 0.5) / CHORDS - 0.5);
    const chords = places.map((at) => chordAt(at, (turnDeg * Math.PI) / 180, edges)).filter((chord) => chord !== null);
    const area = totalLength(chords);
    const meanOf = (integral: (chord: Chord) => number) =>
      chords.reduce((sum, chord) => sum + integral(chord), 0) / area;
    return {
      chords,
      centroidAcross: meanOf(({ from, to }) => (to ** 2 - from ** 2) / 2),
      centroidAlong: meanOf(({ at, from, to }) => at * (to - from)),
      cubicAcross: meanOf(({ at, from, to }) => (at * at * (to ** 2 - from ** 2)) / 2 + (to ** 4 - from ** 4) / 4),
      cubicAlong: meanOf(({ at, from, to }) => at * (at * at * (to - from) + (to ** 3 - from ** 3) / 3)),
      lines: new Map(),
      points: new Map(),
    };
  });
}

/** Samples from the mean ray to where `tail` λN beyond the rays from `places` of the zone, D, are reached. */
function reachOf(places: number[], mean: number, { q, w }: Wave, tail: number, samples: number): number {
  // Rays from the pupil's edge at most, where r² is a quarter.
  const farthest = places.map((place) => Math.max(Math.abs(place * q - mean), Math.abs(place * (q + 16 * w) - mean)));
  return Math.ceil((Math.max(...farthest) + tail) * samples);
}

/** The value of `key`, made when it is first asked for. */
function kept<Key, Value>(values: Map<Key, Value>, key: Key, make: () => Value): Value {
  const known = values.get(key);
  if (known) return known;
  const made = make();
  values.set(key, made);
  return made;
}

/** Where the chords' fields are computed: samples on each side of the mean ray, and the first one's place, λN. */
function acrossOf(zone: ZoneChords, wave: Wave, tail: number): { reach: number; first: number } {
  const ends = zone.chords.flatMap(({ from, to }) => [from, to]);
  const mean = meanRay(wave, zone.centroidAcross, zone.cubicAcross);
  const reach = reachOf(ends, mean, wave, tail, SAMPLES_PER_AIRY);
  return { reach, first: mean - reach / SAMPLES_PER_AIRY };
}

const KEYS = 4096;

/** The zone's light at so many steps of Q and W, which may be negative, summed along the line. */
function lineSpread(zone: ZoneChords, qSteps: number, wSteps: number): Spread {
  return kept(zone.lines, qSteps * KEYS + wSteps, () => {
    const wave = { q: qSteps * Q_STEP, w: wSteps * W_STEP };
    const { reach, first } = acrossOf(zone, wave, TAIL_AIRY);
    const values = new Float32Array(2 * reach + 1);
    const [re, im] = [new Float64Array(values.length), new Float64Array(values.length)];
    for (const chord of zone.chords) {
      chordField(chord, wave, first, 1 / SAMPLES_PER_AIRY, re, im);
      for (let k = 0; k < values.length; k++) values[k] += re[k] * re[k] + im[k] * im[k];
    }
    return { centre: reach, rows: 1, centreRow: 0, values: normalised(values) };
  });
}

/** The same in two dimensions. */
function pointSpread(zone: ZoneChords, qSteps: number, wSteps: number): Spread {
  return kept(zone.points, qSteps * KEYS + wSteps, () => {
    const wave = { q: qSteps * Q_STEP, w: wSteps * W_STEP };
    const { chords } = zone;
    const { reach, first } = acrossOf(zone, wave, TAIL_ACROSS);
    const mean = meanRay(wave, zone.centroidAlong, zone.cubicAlong);
    const count = 2 * reach + 1;
    const places = chords.map(({ at }) => at);
    const centreRow = reachOf(places, mean, wave, TAIL_AIRY, SAMPLES_ALONG);
    const rows = 2 * centreRow + 1;
    const [fieldRe, fieldIm] = [new Float64Array(rows * count), new Float64Array(rows * count)];
    const [re, im] = [new Float64Array(count), new Float64Array(count)];
    for (const chord of chords) {
      chordField(chord, wave, first, 1 / SAMPLES_PER_AIRY, re, im);
      for (let row = 0; row < rows; row++) {
        const rho = mean + (row - centreRow) / SAMPLES_ALONG;
        const phase = Math.PI * chord.at * (wave.q * chord.at - 2 * rho);
        const [cos, sin] = [Math.cos(phase), Math.sin(phase)];
        for (let k = 0, at = row * count; k < count; k++, at++) {
          fieldRe[at] += cos * re[k] - sin * im[k];
          fieldIm[at] += cos * im[k] + sin * re[k];
        }
      }
    }
    const values = new Float32Array(rows * count);
    for (let i = 0; i < values.length; i++) values[i] = fieldRe[i] ** 2 + fieldIm[i] ** 2;
    return { centre: reach, rows, centreRow, values: normalised(values) };
  });
}

function normalised(values: Float32Array): Float32Array {
  let sum = 0;
  for (const value of values) sum += value;
  for (let k = 0; k < values.length; k++) values[k] /= sum;
  return values;
}

/** Sum of the chords' lengths: what the sum of their squared fields is normalised by. */
export function totalLength(chords: readonly Chord[]): number {
  return chords.reduce((sum, { from, to }) => sum + to - from, 0);
}

/** Nodes beyond the π for each wave that Gauss's rule needs, for four digits and more. */
const MORE_NODES = 8;

/** Where the ray from a place of the pupil, D, lands across the line, λN from the axis. */
export function rayAcross(at: number, b: number, { q, w }: Wave): number {
  return b * (q + 64 * w * (at * at + b * b));
}

/** Phase that a place of the pupil gives a field across the line at ρ, λN from the axis; see the head. */
export function phaseAcross(at: number, b: number, { q, w }: Wave, rho: number): number {
  const r2 = at * at + b * b;
  return Math.PI * (b * (q * b - 2 * rho) + 32 * w * r2 * r2);
}

/** Far field of one chord, ∫ exp(iπ Q b² + 32πi W r⁴) exp(−2πi b ρ) db, at ρ = firstRho + k · stepRho. */
export function chordField(
  { at, from, to }: Chord,
  wave: Wave,
  firstRho: number,
  stepRho: number,
  re: Float64Array,
  im: Float64Array,
): void {
  const lastRho = firstRho + (re.length - 1) * stepRho;
  // Waves from one end to the other, at most: the phase's slope is where a ray lands, less ρ.
  const slopes = [from, to].flatMap((end) => {
    const ray = rayAcross(at, end, wave);
    return [ray - firstRho, ray - lastRho];
  });
  const waves = (to - from) * Math.max(...slopes.map(Math.abs));
  const half = (to - from) / 2;
  re.fill(0);
  im.fill(0);
  const nodes = gaussLegendre(2 * Math.ceil((Math.PI * waves + MORE_NODES) / 2));
  /** Field of a node at the first place, and its turn from each place to the next. */
  const startOf = ({ place, weight }: Node) => {
    const b = from + half * (1 + place);
    const phase = phaseAcross(at, b, wave, firstRho);
    const turn = -2 * Math.PI * b * stepRho;
    const size = weight * half;
    return [size * Math.cos(phase), size * Math.sin(phase), Math.cos(turn), Math.sin(turn)];
  };
  // Two nodes at a time: each turn waits for the one before it, the other node's goes on meanwhile.
  for (let node = 0; node < nodes.length; node += 2) {
    let [cos, sin, turnCos, turnSin] = startOf(nodes[node]);
    let [otherCos, otherSin, otherTurnCos, otherTurnSin] = startOf(nodes[node + 1]);
    for (let k = 0; k < re.length; k++) {
      re[k] += cos + otherCos;
      im[k] += sin + otherSin;
      const next = cos * turnCos - sin * turnSin;
      sin = sin * turnCos + cos * turnSin;
      cos = next;
      const otherNext = otherCos * otherTurnCos - otherSin * otherTurnSin;
      otherSin = otherSin * otherTurnCos + otherCos * otherTurnSin;
      otherCos = otherNext;
    }
  }
}

/** Of an integration rule. */
interface Node {
  place: number;
  weight: number;
}

const rules = new Map<number, Node[]>();

/** Gauss's rule with so many nodes on (−1, 1): roots of the Legendre polynomial by Newton's method (Abramowitz & Stegun 25.4.29). */
function gaussLegendre(count: number): Node[] {
  return kept(rules, count, () =>
    Array.from({ length: count }, (_, i) => {
      let place = Math.cos((Math.PI * (i + 0.75)) / (count + 0.5));
      let slope = 1;
      for (let round = 0; round < 6; round++) {
        let [value, before] = [1, 0];
        for (let n = 1; n <= count; n++)
          [value, before] = [((2 * n - 1) * place * value - (n - 1) * before) / n, value];
        slope = (count * (place * value - before)) / (place * place - 1);
        place -= value / slope;
      }
      return { place, weight: 2 / ((1 - place * place) * slope * slope) };
    }),
  );
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

  /** Centroid of the zone across its line, units of D, and its mean of r² b there. */
  get centroidAcross(): number {
    return this.shape.centroidAcross;
  }

  get cubicAcross(): number {
    return this.shape.cubicAcross;
  }

  /** The same along its line. */
  get centroidAlong(): number {
    return this.shape.centroidAlong;
  }

  get cubicAlong(): number {
    return this.shape.cubicAlong;
  }

  /**
   * Density per λN at places from the zone's mean ray, λN.
   * @param out filled with one value for each k: ρ = first + k · step
   */
  sample({ q, w }: Wave, first: number, step: number, out: Float64Array): void {
    this.gather(lineSpread, q / Q_STEP, w / W_STEP, { step: 1, bins: 1, first, acrossStep: step }, out);
  }

  /**
   * The spread in two dimensions, gathered along the line into bins with the weights of linear interpolation.
   * @param step of the bins, λN; the middle one stands at the mean ray
   * @param first, acrossStep as in `sample`
   * @param out bins × across values, an odd number of bins; filled with densities per λN across
   */
  sampleAlong({ q, w }: Wave, step: number, first: number, acrossStep: number, bins: number, out: Float64Array): void {
    // Tables in two dimensions take long, and what they serve for is small: the nearest W will do.
    this.gather(pointSpread, q / Q_STEP, Math.round(w / W_STEP), { step, bins, first, acrossStep }, out);
  }

  private gather(spreadAt: typeof lineSpread, qPlace: number, wPlace: number, places: Places, out: Float64Array): void {
    out.fill(0);
    for (const [qSteps, qShare] of between(qPlace))
      for (const [wSteps, wShare] of between(wPlace))
        add(spreadAt(this.shape, qSteps, wSteps), qShare * wShare, places, out);
  }
}

/** The tabulated steps about a place, with their shares. */
function between(place: number): [steps: number, share: number][] {
  const steps = Math.floor(place);
  const share = place - steps;
  return share > 0
    ? [
        [steps, 1 - share],
        [steps + 1, share],
      ]
    : [[steps, 1]];
}

/** Where a spread is wanted; see `sampleAlong`. */
interface Places {
  step: number;
  bins: number;
  first: number;
  acrossStep: number;
}

/** Where `add` looks, in samples of the table, whole and the rest: kept, as it is called some hundred times for a frame. */
let indexAcross = new Int32Array(0);
let restAcross = new Float64Array(0);

/** Adds a tabulated spread, `weight` times. */
function add(
  { centre, rows, centreRow, values }: Spread,
  weight: number,
  { step, bins, first, acrossStep }: Places,
  out: Float64Array,
): void {
  const across = out.length / bins;
  const count = values.length / rows;
  // Places across are the same in all rows, and all from `start` to `end` lie in the table.
  if (indexAcross.length < across) {
    indexAcross = new Int32Array(across);
    restAcross = new Float64Array(across);
  }
  const [index, rest] = [indexAcross, restAcross];
  const start = Math.max(0, Math.ceil(-(centre + first * SAMPLES_PER_AIRY) / (acrossStep * SAMPLES_PER_AIRY)));
  let end = start;
  for (; end < across; end++) {
    const place = centre + (first + end * acrossStep) * SAMPLES_PER_AIRY;
    if (place >= count - 1) break;
    index[end] = place;
    rest[end] = place - index[end];
  }
  for (let row = 0; row < rows; row++) {
    const bin = (row - centreRow) / SAMPLES_ALONG / step + (bins >> 1);
    const low = Math.floor(bin);
    if (low < -1 || low >= bins) continue;
    const upper = low < bins - 1 ? weight * SAMPLES_PER_AIRY * (bin - low) : 0;
    const lower = low >= 0 ? weight * SAMPLES_PER_AIRY * (1 - (bin - low)) : 0;
    const to = Math.max(0, low) * across;
    const beyond = Math.min(bins - 1, low + 1) * across;
    const from = row * count;
    for (let k = start; k < end; k++) {
      const at = from + index[k];
      const value = values[at] + rest[k] * (values[at + 1] - values[at]);
      out[to + k] += lower * value;
      out[beyond + k] += upper * value;
    }
  }
}
