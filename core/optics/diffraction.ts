/**
 * Scalar Fraunhofer diffraction by the mask in the lens's pupil (Goodman, Introduction to Fourier
 * Optics, ch. 4 and 6).
 *
 * Pupil points are in units of the pupil diameter D along (u, n) of the mask; image points ρ are in
 * units of λN along the same axes, from the star's geometric image. In these units
 *   E(ρ) = ∫ P(x) exp(i φ(x)) exp(−2πi x·ρ) d²x,
 * and a ray through x lands at ρ = ∇φ / 2π, which is x·dz / (λN²) for defocus dz.
 *
 * A grating of opaque bars is its Fourier series: order m has the amplitude duty · sinc(m · duty) and
 * the tilt exp(2πi m (D/p) d·x), d being the direction across the bars. So each order of a zone is the
 * transform of the zone's own opening, moved by m (D/p) d: exactly, without sampling any bar. Orders
 * that overlap are added as complex fields; orders that stand apart may be added as intensities.
 */
import { type Zone, type ZoneLayout, zoneAt } from './mask.ts';

/** Everything in the pupil that does not depend on wavelength, focus or the gratings' order. */
export interface PupilShape {
  /** null: no mask, the whole pupil is one opening and only order 0 exists. */
  layout: ZoneLayout | null;
  handedness: 1 | -1;
  ribD: number;
  /** Diameter of a central obstruction, units of D. */
  obstructionD: number;
  /** Straight edges of the aperture (iris blades), 0 for a round one; the polygon is inscribed in the disc. */
  blades: number;
  /** Number of vanes across the pupil, radiating from the centre, each `vaneWidthD` wide. */
  vanes: number;
  vaneWidthD: number;
  /** Direction of the first blade's corner and of the first vane, degrees from u towards n. */
  bladeAngleDeg: number;
  /** Vignetting: centre of a second disc as large as the pupil, through which light must pass too (units of D). */
  cutBy?: { u: number; n: number };
  /** Share of the light each zone lets through, 0…1 (less than 1: a mask that does not sit square). */
  transmission: Record<Zone, number>;
}

/** Gratings and wavefront. */
export interface PupilOptics {
  /** Open fraction of the period. */
  duty: number;
  /** Grating periods across the pupil, D / pitch. */
  periodsAcross: number;
  /** Angle between outer and middle gratings, degrees. */
  outerAngleDeg: number;
  /** Shift of each grating along its own direction, in periods: phase of its orders. */
  phasePeriods: Record<Zone, number>;
  fNumber: number;
  dzUm: number;
  /** Third-order spherical aberration at the pupil's edge, µm of path (W040). */
  sphericalUm: number;
}

/** Intensity on a regular (u, n) grid; sample (i, j) lies at ρ = ((iu + i) · step, (in + j) · step), iu and in real. */
export interface IntensityPatch {
  stepAiry: number;
  iu: number;
  in: number;
  width: number;
  height: number;
  /** ∫ over ρ gives the light's share of an open pupil of unit area (units of D²). */
  data: Float32Array;
}

/** One zone sampled on the pupil's cells; `amplitude` is the open share of each, all rows and columns. */
interface ZoneSamples {
  zone: Zone;
  /** Rows (n) and columns (u) of the full pupil grid that the zone touches. */
  row0: number;
  row1: number;
  col0: number;
  col1: number;
  amplitude: Float32Array;
}

export interface SampledPupil {
  /** Cells across the pupil along u and n. */
  columns: number;
  rows: number;
  zones: ZoneSamples[];
  /** Open area without gratings, D². */
  areaD2: number;
}

/** Sub-samples per cell edge for its open share. */
const SUBSAMPLES = 6;

/** Samples per λN: the intensity's band ends at 1 / λN, so 3 leave room for interpolation. */
const SAMPLES_PER_AIRY = 3;

/** Whether the aperture (without mask) lets light through at (u, n). */
function apertureOpen(shape: PupilShape, u: number, n: number): boolean {
  const rr = u * u + n * n;
  if (rr > 0.25 || rr < (shape.obstructionD / 2) ** 2) return false;
  if (shape.cutBy && (u - shape.cutBy.u) ** 2 + (n - shape.cutBy.n) ** 2 > 0.25) return false;
  const start = (shape.bladeAngleDeg * Math.PI) / 180;
  if (shape.blades > 2) {
    const sector = (2 * Math.PI) / shape.blades;
    const turn = Math.atan2(n, u) - start;
    const fromMiddle = turn - sector * Math.floor(turn / sector) - sector / 2;
    if (Math.sqrt(rr) * Math.cos(fromMiddle) > 0.5 * Math.cos(sector / 2)) return false;
  }
  for (let v = 0; v < shape.vanes; v++) {
    const angle = start + (2 * Math.PI * v) / shape.vanes;
    const along = u * Math.cos(angle) + n * Math.sin(angle);
    const across = -u * Math.sin(angle) + n * Math.cos(angle);
    if (along > 0 && Math.abs(across) < shape.vaneWidthD / 2) return false;
  }
  return true;
}

/** Samples the pupil on cells of 1 / columns by 1 / rows of D. */
export function samplePupil(shape: PupilShape, columns: number, rows = columns): SampledPupil {
  const grids = new Map<Zone, Float32Array>();
  const share = 1 / SUBSAMPLES ** 2;
  for (let row = 0; row < rows * SUBSAMPLES; row++) {
    const n = (row + 0.5) / (rows * SUBSAMPLES) - 0.5;
    const rowStart = Math.floor(row / SUBSAMPLES) * columns;
    for (let col = 0; col < columns * SUBSAMPLES; col++) {
      const u = (col + 0.5) / (columns * SUBSAMPLES) - 0.5;
      if (!apertureOpen(shape, u, n)) continue;
      const zone = shape.layout === null ? 'middle' : zoneAt(shape.layout, shape.handedness, shape.ribD, u, n);
      if (!zone) continue;
      let grid = grids.get(zone);
      if (!grid) {
        grid = new Float32Array(columns * rows);
        grids.set(zone, grid);
      }
      grid[rowStart + Math.floor(col / SUBSAMPLES)] += share;
    }
  }
  let areaD2 = 0;
  const zones: ZoneSamples[] = [];
  for (const [zone, amplitude] of grids) {
    const samples: ZoneSamples = { zone, row0: rows, row1: 0, col0: columns, col1: 0, amplitude };
    for (let row = 0; row < rows; row++)
      for (let col = 0; col < columns; col++) {
        const open = amplitude[row * columns + col];
        if (open === 0) continue;
        areaD2 += open / (columns * rows);
        samples.row0 = Math.min(samples.row0, row);
        samples.row1 = Math.max(samples.row1, row + 1);
        samples.col0 = Math.min(samples.col0, col);
        samples.col1 = Math.max(samples.col1, col + 1);
      }
    const transmission = Math.sqrt(shape.transmission[zone]);
    if (transmission === 0) continue;
    if (transmission !== 1) for (let i = 0; i < amplitude.length; i++) amplitude[i] *= transmission;
    zones.push(samples);
  }
  return { columns, rows, zones, areaD2 };
}

/** Amplitude of order m of a bar grating: duty · sinc(m · duty) (Goodman §4.4; Fourier series of a square wave). */
export function orderAmplitude(order: number, duty: number): number {
  return order === 0 ? duty : Math.sin(Math.PI * order * duty) / (Math.PI * order);
}

/** Direction across the bars of each zone's grating, in (u, n). */
export function gratingDirection(zone: Zone, outerAngleDeg: number): { u: number; n: number } {
  const angle = ((zone === 'middle' ? 0 : zone === 'plus' ? outerAngleDeg : -outerAngleDeg) * Math.PI) / 180;
  return { u: Math.cos(angle), n: Math.sin(angle) };
}

/** Where rays land, ρ at wavelength λ, for a ray through pupil point (u, n). */
export function rayShiftAiry(
  optics: PupilOptics,
  wavelengthUm: number,
  u: number,
  n: number,
): { u: number; n: number } {
  const perUnit =
    optics.dzUm / (wavelengthUm * optics.fNumber ** 2) + (64 * optics.sphericalUm * (u * u + n * n)) / wavelengthUm;
  return { u: u * perUnit, n: n * perUnit };
}

/** A part of the ρ grid: indices [u0, u1) × [n0, n1). */
interface Box {
  u0: number;
  u1: number;
  n0: number;
  n1: number;
  /** The exact bounds, in grid steps. */
  uLow: number;
  uHigh: number;
  nLow: number;
  nHigh: number;
}

/** The outer share of the tails in which the field fades to nothing, so that the box's edge leaves no mark. */
const FADE = 0.35;

/** The part of the ρ grid that a zone's order m reaches, with `tailAiry` λN of diffraction around its rays. */
function zoneBox(
  pupil: SampledPupil,
  samples: ZoneSamples,
  optics: PupilOptics,
  order: number,
  wavelengthUm: number,
  tailAiry: number,
): Box {
  let [uMin, uMax, nMin, nMax] = [Infinity, -Infinity, Infinity, -Infinity];
  const stride = 2;
  for (let row = samples.row0; row < samples.row1; row += stride)
    for (let col = samples.col0; col < samples.col1; col += stride) {
      if (samples.amplitude[row * pupil.columns + col] === 0) continue;
      const u = (col + 0.5) / pupil.columns - 0.5;
      const n = (row + 0.5) / pupil.rows - 0.5;
      const ray = rayShiftAiry(optics, wavelengthUm, u, n);
      uMin = Math.min(uMin, ray.u);
      uMax = Math.max(uMax, ray.u);
      nMin = Math.min(nMin, ray.n);
      nMax = Math.max(nMax, ray.n);
    }
  const direction = gratingDirection(samples.zone, optics.outerAngleDeg);
  const shiftU = order * optics.periodsAcross * direction.u;
  const shiftN = order * optics.periodsAcross * direction.n;
  const uLow = (shiftU + uMin - tailAiry) * SAMPLES_PER_AIRY;
  const uHigh = (shiftU + uMax + tailAiry) * SAMPLES_PER_AIRY;
  const nLow = (shiftN + nMin - tailAiry) * SAMPLES_PER_AIRY;
  const nHigh = (shiftN + nMax + tailAiry) * SAMPLES_PER_AIRY;
  return {
    u0: Math.floor(uLow),
    u1: Math.ceil(uHigh) + 1,
    n0: Math.floor(nLow),
    n1: Math.ceil(nHigh) + 1,
    uLow,
    uHigh,
    nLow,
    nHigh,
  };
}

/** Weights of successive samples from index `first`: 1 inside, falling to 0 over `fade` samples at both bounds. */
function fading(first: number, count: number, low: number, high: number, fade: number): Float64Array {
  return Float64Array.from({ length: count }, (_, i) => {
    const inside = Math.min(first + i - low, high - first - i) / fade;
    return inside >= 1 ? 1 : inside <= 0 ? 0 : Math.sin((Math.PI / 2) * inside) ** 2;
  });
}

function union(a: Box, b: Box): Box {
  return {
    u0: Math.min(a.u0, b.u0),
    u1: Math.max(a.u1, b.u1),
    n0: Math.min(a.n0, b.n0),
    n1: Math.max(a.n1, b.n1),
    uLow: Math.min(a.uLow, b.uLow),
    uHigh: Math.max(a.uHigh, b.uHigh),
    nLow: Math.min(a.nLow, b.nLow),
    nHigh: Math.max(a.nHigh, b.nHigh),
  };
}

/**
 * Pupil cells needed so that the sampled transform does not repeat within the rays' spread plus tails.
 * @param farAiry how far from its own place a zone's light is still wanted, λN
 */
export function pupilSizeFor(optics: PupilOptics, shortestUm: number, tailAiry: number, farAiry = 0): number {
  const spread =
    Math.abs(optics.dzUm) / (shortestUm * optics.fNumber ** 2) + (32 * Math.abs(optics.sphericalUm)) / shortestUm;
  return 2 * Math.ceil(Math.max(64, spread + 2.4 * tailAiry + 2 * farAiry + 8) / 2);
}

/**
 * Intensity on one common grid around some zones' light of the first of the given orders, the orders
 * of the zones being added as fields.
 * @param wavelengthsUm in any order; rays between the shortest and the longest stay inside the grid
 * @param tailAiry how far beyond the geometric rays diffraction is followed, λN
 * @param around zones that the grid must hold
 * @param far true: all orders of all zones of the pupil, wherever on the grid; false: each only within its own tails
 */
export function orderIntensity(
  pupil: SampledPupil,
  optics: PupilOptics,
  orders: number[],
  wavelengthsUm: number[],
  tailAiry: number,
  around = pupil.zones,
  far = true,
): IntensityPatch[] {
  const whole = around
    .flatMap((samples) => wavelengthsUm.map((um) => zoneBox(pupil, samples, optics, orders[0], um, tailAiry)))
    .reduce(union);
  const width = whole.u1 - whole.u0;
  const height = whole.n1 - whole.n0;
  return wavelengthsUm.map((wavelengthUm) => {
    const re = new Float32Array(width * height);
    const im = new Float32Array(width * height);
    for (const order of orders)
      for (const samples of far ? pupil.zones : around) {
        const box = far ? whole : zoneBox(pupil, samples, optics, order, wavelengthUm, tailAiry);
        addZoneField(pupil, samples, optics, order, wavelengthUm, box, FADE * tailAiry, whole, re, im);
      }
    const data = re;
    for (let i = 0; i < data.length; i++) data[i] = re[i] * re[i] + im[i] * im[i];
    return { stepAiry: 1 / SAMPLES_PER_AIRY, iu: whole.u0, in: whole.n0, width, height, data };
  });
}

/** The zones in groups, so that those whose light of order m or −m may overlap, at any wavelength, stay together. */
export function groupByOverlap(
  pupil: SampledPupil,
  optics: PupilOptics,
  order: number,
  wavelengthsUm: number[],
  tailAiry: number,
): ZoneSamples[][] {
  const boxOf = (samples: ZoneSamples, side: number) =>
    wavelengthsUm.map((um) => zoneBox(pupil, samples, optics, side * order, um, tailAiry)).reduce(union);
  const touch = (a: Box, b: Box) => a.u0 < b.u1 && b.u0 < a.u1 && a.n0 < b.n1 && b.n0 < a.n1;
  let groups: { zones: ZoneSamples[]; boxes: Box[] }[] = [];
  for (const samples of pupil.zones) {
    const joined = { zones: [samples], boxes: [boxOf(samples, 1), boxOf(samples, -1)] };
    const apart = [];
    for (const group of groups) {
      if (!joined.boxes.some((box, i) => touch(box, group.boxes[i]))) {
        apart.push(group);
        continue;
      }
      joined.zones.push(...group.zones);
      joined.boxes = joined.boxes.map((box, i) => union(box, group.boxes[i]));
    }
    groups = [...apart, joined];
  }
  return groups.map(({ zones }) => zones);
}

/** A zone's order −m from its order m, both alone: the same light at the opposite place, whatever the focus. */
export function oppositeOrder(patch: IntensityPatch, zone: Zone, optics: PupilOptics, order: number): IntensityPatch {
  const direction = gratingDirection(zone, optics.outerAngleDeg);
  const move = (-2 * order * optics.periodsAcross) / patch.stepAiry;
  return { ...patch, iu: patch.iu + move * direction.u, in: patch.in + move * direction.n };
}

/**
 * Adds one zone's order-m field on a box, fading out at its edges, to (re, im) on the whole grid. A matrix Fourier transform: columns first, then rows,
 * only over the zone's cells and the wanted box (Soummer et al., Opt. Express 15, 15935 (2007)).
 */
function addZoneField(
  pupil: SampledPupil,
  samples: ZoneSamples,
  optics: PupilOptics,
  order: number,
  wavelengthUm: number,
  box: Box,
  fadeAiry: number,
  whole: Box,
  re: Float32Array,
  im: Float32Array,
): void {
  const { row0, row1, col0, col1, amplitude } = samples;
  const rows = row1 - row0;
  const cols = col1 - col0;
  const direction = gratingDirection(samples.zone, optics.outerAngleDeg);
  const gain = orderAmplitude(order, optics.duty) / (pupil.columns * pupil.rows);
  const constantTurns = -order * optics.phasePeriods[samples.zone];
  // The field over the zone's cells, with defocus, aberration and the order's tilt.
  const pupilRe = new Float64Array(rows * cols);
  const pupilIm = new Float64Array(rows * cols);
  for (let row = row0; row < row1; row++) {
    const n = (row + 0.5) / pupil.rows - 0.5;
    for (let col = col0; col < col1; col++) {
      const a = amplitude[row * pupil.columns + col];
      if (a === 0) continue;
      const u = (col + 0.5) / pupil.columns - 0.5;
      const rr = u * u + n * n;
      const turns =
        (rr * optics.dzUm) / (2 * wavelengthUm * optics.fNumber ** 2) +
        (16 * rr * rr * optics.sphericalUm) / wavelengthUm +
        order * optics.periodsAcross * (u * direction.u + n * direction.n) +
        constantTurns;
      const at = (row - row0) * cols + (col - col0);
      pupilRe[at] = gain * a * Math.cos(2 * Math.PI * turns);
      pupilIm[at] = gain * a * Math.sin(2 * Math.PI * turns);
    }
  }
  const width = box.u1 - box.u0;
  const height = box.n1 - box.n0;
  // Along u: half[i][row].
  const halfRe = new Float64Array(width * rows);
  const halfIm = new Float64Array(width * rows);
  const kernelRe = new Float64Array(Math.max(cols, rows));
  const kernelIm = new Float64Array(Math.max(cols, rows));
  const fillKernel = (cells: number, first: number, count: number, index: number) => {
    // exp(−2πi x ρ) with x = (first + j + ½) / cells − ½ and ρ = index / SAMPLES_PER_AIRY, by turning on from cell to cell.
    const turn = (-2 * Math.PI * index) / SAMPLES_PER_AIRY;
    const [stepRe, stepIm] = [Math.cos(turn / cells), Math.sin(turn / cells)];
    const start = turn * ((first + 0.5) / cells - 0.5);
    let [c, s] = [Math.cos(start), Math.sin(start)];
    for (let j = 0; j < count; j++) {
      kernelRe[j] = c;
      kernelIm[j] = s;
      [c, s] = [c * stepRe - s * stepIm, c * stepIm + s * stepRe];
    }
  };
  for (let i = 0; i < width; i++) {
    fillKernel(pupil.columns, col0, cols, i + box.u0);
    sumLines(pupilRe, pupilIm, cols, kernelRe, kernelIm, rows, halfRe, halfIm, i * rows);
  }
  // Along n.
  const fadeU = fading(box.u0, width, box.uLow, box.uHigh, fadeAiry * SAMPLES_PER_AIRY);
  const fadeN = fading(box.n0, height, box.nLow, box.nHigh, fadeAiry * SAMPLES_PER_AIRY);
  const lineRe = new Float64Array(width);
  const lineIm = new Float64Array(width);
  for (let j = 0; j < height; j++) {
    fillKernel(pupil.rows, row0, rows, j + box.n0);
    sumLines(halfRe, halfIm, rows, kernelRe, kernelIm, width, lineRe, lineIm, 0);
    const out = (j + box.n0 - whole.n0) * (whole.u1 - whole.u0) + box.u0 - whole.u0;
    for (let i = 0; i < width; i++) {
      const share = fadeU[i] * fadeN[j];
      re[out + i] += share * lineRe[i];
      im[out + i] += share * lineIm[i];
    }
  }
}

/**
 * Sums each of `lines` lines of `cells` values with the kernel's, into (outRe, outIm) from `out` on. Two lines at a time:
 * a sum waits for its last addition, the other one's goes on meanwhile.
 */
function sumLines(
  re: Float64Array,
  im: Float64Array,
  cells: number,
  kernelRe: Float64Array,
  kernelIm: Float64Array,
  lines: number,
  outRe: Float64Array,
  outIm: Float64Array,
  out: number,
): void {
  for (let line = 0; line < lines; line += 2) {
    // Of an odd number the last line is summed twice.
    const first = line * cells;
    const second = Math.min(line + 1, lines - 1) * cells;
    let [firstRe, firstIm, secondRe, secondIm] = [0, 0, 0, 0];
    for (let j = 0; j < cells; j++) {
      const c = kernelRe[j];
      const s = kernelIm[j];
      const a = re[first + j];
      const b = im[first + j];
      const d = re[second + j];
      const e = im[second + j];
      firstRe += a * c - b * s;
      firstIm += a * s + b * c;
      secondRe += d * c - e * s;
      secondIm += d * s + e * c;
    }
    outRe[out + line] = firstRe;
    outIm[out + line] = firstIm;
    if (line + 1 === lines) continue;
    outRe[out + line + 1] = secondRe;
    outIm[out + line + 1] = secondIm;
  }
}
