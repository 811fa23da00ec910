/**
 * Cross profiles of the three zones' spots, in frame pixels: the zone's line spread by diffraction at
 * the present defocus, blurred by a Gaussian for everything else (seeing, sensor pixels, interpolation).
 */

import { atWavelength, meanRay, rayReach, type Wave, ZoneSpread } from '../optics/lineSpread.ts';
import { cachedCentroids, offsetOfShifts, type ZoneShape } from '../optics/mask.ts';
import { offsetOf } from './lines.ts';

/** Radial places for which profiles are computed; between them they are interpolated. */
const NODES = 4;
const HALF_SAMPLES = 100;
const SAMPLES = 2 * HALF_SAMPLES + 1;
/** Beyond this defocus (in Q = dz / λN²) the shape is no longer followed. */
const MAX_Q = 30;

export class CrossProfiles {
  readonly shape: ZoneShape;
  readonly zones: ZoneSpread[];
  /** k of the layout for the angle it was made for. */
  readonly slope: number;
  /** What spherical aberration adds to the offset, as `slope` does for defocus. */
  readonly cubic: number;
  /** Step across the line, px. */
  stepPx = 1;
  /** Distance from a line within which its own light tells where it is, px. */
  corePx = 1;
  private from = 0;
  private nodeStep = 1;
  private readonly fine = new Float64Array(SAMPLES);
  private readonly tables: Float64Array[] = [0, 1, 2].map(() => new Float64Array(NODES * SAMPLES));

  constructor(shape: ZoneShape, outerRad: number) {
    const outerDeg = (outerRad * 180) / Math.PI;
    this.shape = shape;
    this.zones = [
      new ZoneSpread(shape, 'middle', 0),
      new ZoneSpread(shape, 'plus', outerDeg),
      new ZoneSpread(shape, 'minus', -outerDeg),
    ];
    this.slope = offsetOfShifts(cachedCentroids(shape), outerDeg);
    this.cubic = offsetOf({ across: this.zones.map((zone) => zone.cubicAcross), outer: outerRad });
  }

  /** The wave at 550 nm that goes with an offset, for W040 in waves; the mask's orientation cancels out. */
  waveOf(offsetPx: number, airyPx: number, w: number): Wave {
    const ofDefocus = offsetPx / airyPx - meanRay({ q: 0, w }, 0, this.cubic);
    return { q: Math.max(-MAX_Q, Math.min(MAX_Q, ofDefocus / this.slope)), w };
  }

  /**
   * Computes the profiles.
   * @param airyPx λN at 550 nm, px
   * @param blurPx standard deviation of the Gaussian blur of each zone's spots, px
   * @param distancePx first order at 550 nm, px
   * @param from, to radial range, px
   */
  build(airyPx: number, blurPx: number[], wave: Wave, distancePx: number, from: number, to: number): void {
    this.from = from;
    this.nodeStep = (to - from) / (NODES - 1);
    const rays = rayReach(wave);
    this.stepPx = ((rays + 16) * airyPx + 3 * Math.max(...blurPx)) / HALF_SAMPLES;
    this.corePx = (rays + 4) * airyPx + 3 * Math.max(...blurPx);
    this.fill(airyPx, blurPx, wave, distancePx);
  }

  /** Makes this the derivative of `base`: the profiles for the values given, less the base's, over `delta`. */
  buildDerivative(
    base: CrossProfiles,
    airyPx: number,
    blurPx: number[],
    wave: Wave,
    distancePx: number,
    delta: number,
  ) {
    this.standAs(base);
    this.fill(airyPx, blurPx, wave, distancePx);
    this.tables.forEach((table, zone) => {
      const from = base.tables[zone];
      for (let i = 0; i < table.length; i++) table[i] = (table[i] - from[i]) / delta;
    });
  }

  /**
   * Makes this the derivative of `base` by each zone's blur σ, which is σ times the second one across the line (a Gaussian
   * solves the equation of heat).
   */
  buildByBlur(base: CrossProfiles, blurPx: number[]): void {
    this.standAs(base);
    this.tables.forEach((table, zone) => {
      const from = base.tables[zone];
      const scale = blurPx[zone] / this.stepPx ** 2;
      for (let node = 0; node < NODES; node++)
        for (let i = node * SAMPLES + 1; i < (node + 1) * SAMPLES - 1; i++)
          table[i] = scale * (from[i - 1] - 2 * from[i] + from[i + 1]);
    });
  }

  /** Takes the places for which `base` has profiles. */
  private standAs({ from, nodeStep, stepPx }: CrossProfiles): void {
    this.from = from;
    this.nodeStep = nodeStep;
    this.stepPx = stepPx;
  }

  private fill(airyPx: number, blurPx: number[], wave: Wave, distancePx: number): void {
    const kernels = blurPx.map((blurPx) => gaussianKernel(blurPx / this.stepPx));
    for (let node = 0; node < NODES; node++) {
      // A radius on the line is a wavelength: diffraction widens with it, defocus in waves shrinks.
      const ratio = (this.from + node * this.nodeStep) / distancePx;
      const scale = airyPx * ratio;
      const there = atWavelength(wave, ratio);
      for (let zone = 0; zone < 3; zone++) {
        this.zones[zone].sample(there, (-HALF_SAMPLES * this.stepPx) / scale, this.stepPx / scale, this.fine);
        blur(this.fine, kernels[zone], 1 / scale, this.tables[zone].subarray(node * SAMPLES, (node + 1) * SAMPLES));
      }
    }
  }

  /** Density per px at distance `t` across zone's line and `r` along it; its derivative by t goes to `slopeOut`. */
  at(zone: number, t: number, r: number, slopeOut: { slope: number }): number {
    const place = t / this.stepPx + HALF_SAMPLES;
    if (!(place >= 0 && place < SAMPLES - 1)) {
      slopeOut.slope = 0;
      return 0;
    }
    const index = place | 0;
    const fraction = place - index;
    const node = Math.max(0, Math.min(NODES - 1.001, (r - this.from) / this.nodeStep));
    const base = (node | 0) * SAMPLES + index;
    const weight = node - (node | 0);
    const table = this.tables[zone];
    const low = table[base] + weight * (table[base + SAMPLES] - table[base]);
    const high = table[base + 1] + weight * (table[base + SAMPLES + 1] - table[base + 1]);
    slopeOut.slope = (high - low) / this.stepPx;
    return low + fraction * (high - low);
  }
}

export function gaussianKernel(sigma: number): Float64Array {
  const half = Math.max(1, Math.ceil(3.5 * sigma));
  const kernel = Float64Array.from({ length: 2 * half + 1 }, (_, i) =>
    Math.exp(-0.5 * ((i - half) / Math.max(sigma, 0.3)) ** 2),
  );
  const sum = kernel.reduce((total, value) => total + value, 0);
  return kernel.map((value) => value / sum);
}

export function blur(values: Float64Array, kernel: Float64Array, factor: number, out: Float64Array): void {
  const half = kernel.length >> 1;
  for (let i = 0; i < out.length; i++) {
    let sum = 0;
    const start = Math.max(0, half - i);
    const end = Math.min(kernel.length, values.length + half - i);
    for (let k = start; k < end; k++) sum += kernel[k] * values[i + k - half];
    out[i] = factor * sum;
  }
}
