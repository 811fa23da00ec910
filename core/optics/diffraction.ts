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

/** Intensity on a regular (u, n) grid; sample (i, j) lies at ρ = ((iu + i) · step, (in + j) · step). */
export interface IntensityPatch {
  stepAiry: number;
  iu: number;
  in: number;
  width: number;
  height: number;
  /** ∫ over ρ gives the light's share of an open pupil of unit area (units of D²). */
  data: Float32Array;
}

/** One zone sampled on cells of 1 / size D; `amplitude` is the open share of each cell. */
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
  /** Cells across the pupil. */
  size: number;
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

/** Samples the pupil on size × size cells (size even). */
export function samplePupil(shape: PupilShape, size: number): SampledPupil {
  const grids = new Map<Zone, Float32Array>();
  const share = 1 / SUBSAMPLES ** 2;
  for (let row = 0; row < size * SUBSAMPLES; row++) {
    const n = (row + 0.5) / (size * SUBSAMPLES) - 0.5;
    const rowStart = Math.floor(row / SUBSAMPLES) * size;
    for (let col = 0; col < size * SUBSAMPLES; col++) {
      const u = (col + 0.5) / (size * SUBSAMPLES) - 0.5;
      if (!apertureOpen(shape, u, n)) continue;
      const zone = shape.layout === null ? 'middle' : zoneAt(shape.layout, shape.handedness, shape.ribD, u, n);
      if (!zone) continue;
      let grid = grids.get(zone);
      if (!grid) {
        grid = new Float32Array(size * size);
        grids.set(zone, grid);
      }
      grid[rowStart + Math.floor(col / SUBSAMPLES)] += share;
    }
  }
  let areaD2 = 0;
  const zones: ZoneSamples[] = [];
  for (const [zone, amplitude] of grids) {
    const samples: ZoneSamples = { zone, row0: size, row1: 0, col0: size, col1: 0, amplitude };
    for (let row = 0; row < size; row++)
      for (let col = 0; col < size; col++) {
        const open = amplitude[row * size + col];
        if (open === 0) continue;
        areaD2 += open / size ** 2;
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
  return { size, zones, areaD2 };
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

/** Index box [u0, u1) × [n0, n1) on the ρ grid. */
interface Box {
  u0: number;
  u1: number;
  n0: number;
  n1: number;
}

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
      if (samples.amplitude[row * pupil.size + col] === 0) continue;
      const ray = rayShiftAiry(optics, wavelengthUm, (col + 0.5) / pupil.size - 0.5, (row + 0.5) / pupil.size - 0.5);
      uMin = Math.min(uMin, ray.u);
      uMax = Math.max(uMax, ray.u);
      nMin = Math.min(nMin, ray.n);
      nMax = Math.max(nMax, ray.n);
    }
  const direction = gratingDirection(samples.zone, optics.outerAngleDeg);
  const shiftU = order * optics.periodsAcross * direction.u;
  const shiftN = order * optics.periodsAcross * direction.n;
  return {
    u0: Math.floor((shiftU + uMin - tailAiry) * SAMPLES_PER_AIRY),
    u1: Math.ceil((shiftU + uMax + tailAiry) * SAMPLES_PER_AIRY) + 1,
    n0: Math.floor((shiftN + nMin - tailAiry) * SAMPLES_PER_AIRY),
    n1: Math.ceil((shiftN + nMax + tailAiry) * SAMPLES_PER_AIRY) + 1,
  };
}

function union(a: Box, b: Box): Box {
  return {
    u0: Math.min(a.u0, b.u0),
    u1: Math.max(a.u1, b.u1),
    n0: Math.min(a.n0, b.n0),
    n1: Math.max(a.n1, b.n1),
  };
}

/** Pupil cells needed so that the sampled transform does not repeat within the rays' spread plus tails. */
export function pupilSizeFor(optics: PupilOptics, shortestUm: number, tailAiry: number): number {
  const spread =
    Math.abs(optics.dzUm) / (shortestUm * optics.fNumber ** 2) + (32 * Math.abs(optics.sphericalUm)) / shortestUm;
  return 2 * Math.ceil(Math.max(64, spread + 2.4 * tailAiry + 8) / 2);
}

/**
 * Intensity of the given orders of all zones, added as fields, at each wavelength, on one common grid.
 * @param wavelengthsUm in any order; rays between the shortest and the longest stay inside the grid
 * @param tailAiry how far beyond the geometric rays diffraction is followed, λN
 */
export function orderIntensity(
  pupil: SampledPupil,
  optics: PupilOptics,
  orders: number[],
  wavelengthsUm: number[],
  tailAiry: number,
): IntensityPatch[] {
  const parts = orders.flatMap((order) => pupil.zones.map((samples) => ({ order, samples })));
  const boxesAt = wavelengthsUm.map((wavelengthUm) =>
    parts.map(({ order, samples }) => zoneBox(pupil, samples, optics, order, wavelengthUm, tailAiry)),
  );
  const whole = boxesAt.flat().reduce(union);
  const width = whole.u1 - whole.u0;
  const height = whole.n1 - whole.n0;
  return wavelengthsUm.map((wavelengthUm, w) => {
    const re = new Float32Array(width * height);
    const im = new Float32Array(width * height);
    parts.forEach(({ order, samples }, i) => {
      addZoneField(pupil, samples, optics, order, wavelengthUm, boxesAt[w][i], whole, re, im);
    });
    const data = re;
    for (let i = 0; i < data.length; i++) data[i] = re[i] * re[i] + im[i] * im[i];
    return { stepAiry: 1 / SAMPLES_PER_AIRY, iu: whole.u0, in: whole.n0, width, height, data };
  });
}

/**
 * Adds one zone's order-m field to (re, im). A matrix Fourier transform: columns first, then rows,
 * only over the zone's cells and the wanted box (Soummer et al., Opt. Express 15, 15935 (2007)).
 */
function addZoneField(
  pupil: SampledPupil,
  samples: ZoneSamples,
  optics: PupilOptics,
  order: number,
  wavelengthUm: number,
  box: Box,
  whole: Box,
  re: Float32Array,
  im: Float32Array,
): void {
  const { size } = pupil;
  const { row0, row1, col0, col1, amplitude } = samples;
  const rows = row1 - row0;
  const cols = col1 - col0;
  const direction = gratingDirection(samples.zone, optics.outerAngleDeg);
  const gain = orderAmplitude(order, optics.duty) / size ** 2;
  const constantTurns = -order * optics.phasePeriods[samples.zone];
  // The field over the zone's cells, with defocus, aberration and the order's tilt.
  const pupilRe = new Float64Array(rows * cols);
  const pupilIm = new Float64Array(rows * cols);
  for (let row = row0; row < row1; row++) {
    const n = (row + 0.5) / size - 0.5;
    for (let col = col0; col < col1; col++) {
      const a = amplitude[row * size + col];
      if (a === 0) continue;
      const u = (col + 0.5) / size - 0.5;
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
  // exp(−2πi u_j ρ_i) with u_j = (2j + 1 − size) / 2size and ρ_i = i / SAMPLES_PER_AIRY: one table of a full turn.
  const turn = 2 * size * SAMPLES_PER_AIRY;
  const cos = new Float64Array(turn);
  const sin = new Float64Array(turn);
  for (let k = 0; k < turn; k++) {
    cos[k] = Math.cos((2 * Math.PI * k) / turn);
    sin[k] = -Math.sin((2 * Math.PI * k) / turn);
  }
  const modulo = (k: number) => ((k % turn) + turn) % turn;
  const width = box.u1 - box.u0;
  const height = box.n1 - box.n0;
  // Along u: half[i][row].
  const halfRe = new Float64Array(width * rows);
  const halfIm = new Float64Array(width * rows);
  const kernelRe = new Float64Array(Math.max(cols, rows));
  const kernelIm = new Float64Array(Math.max(cols, rows));
  for (let i = 0; i < width; i++) {
    for (let j = 0; j < cols; j++) {
      const k = modulo((2 * (j + col0) + 1 - size) * (i + box.u0));
      kernelRe[j] = cos[k];
      kernelIm[j] = sin[k];
    }
    for (let row = 0; row < rows; row++) {
      let sumRe = 0;
      let sumIm = 0;
      for (let j = 0, at = row * cols; j < cols; j++, at++) {
        const a = pupilRe[at];
        const b = pupilIm[at];
        const c = kernelRe[j];
        const s = kernelIm[j];
        sumRe += a * c - b * s;
        sumIm += a * s + b * c;
      }
      halfRe[i * rows + row] = sumRe;
      halfIm[i * rows + row] = sumIm;
    }
  }
  // Along n.
  const wholeWidth = whole.u1 - whole.u0;
  for (let j = 0; j < height; j++) {
    for (let row = 0; row < rows; row++) {
      const k = modulo((2 * (row + row0) + 1 - size) * (j + box.n0));
      kernelRe[row] = cos[k];
      kernelIm[row] = sin[k];
    }
    const out = (j + box.n0 - whole.n0) * wholeWidth + (box.u0 - whole.u0);
    for (let i = 0; i < width; i++) {
      let sumRe = 0;
      let sumIm = 0;
      for (let row = 0, at = i * rows; row < rows; row++, at++) {
        const a = halfRe[at];
        const b = halfIm[at];
        const c = kernelRe[row];
        const s = kernelIm[row];
        sumRe += a * c - b * s;
        sumIm += a * s + b * c;
      }
      re[out + i] += sumRe;
      im[out + i] += sumIm;
    }
  }
}
