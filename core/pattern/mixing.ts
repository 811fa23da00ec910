/**
 * What a separable model of a spot leaves out. Light of neighbouring wavelengths mixes at each radius,
 * because a zone's light is spread along its line too, and not equally so at all distances across. The
 * light is really
 *   I(r, t) = ∫ E(r − a) P(a, t) da,
 * E being the spectrum as it is and P the zone's spread in two dimensions. Where E bends this is not F(r) · G(t):
 * some per cent of the offset. Here is the difference, for the spectrum and the defocus as they stand; it
 * is small, and is kept during a descent.
 */

import { atWavelength, rayReach } from '../optics/lineSpread.ts';
import type { Profile } from './model.ts';
import { blur, type CrossProfiles, gaussianKernel } from './profiles.ts';

/** Bins along the line on each side of the mean ray; one is a step of the spectrum. */
const REACH = 7;
const BINS = 2 * REACH + 1;
const HALF_SAMPLES = 25;
const SAMPLES = 2 * HALF_SAMPLES + 1;
/** Radial places for which the spread is computed, as parts of the spectrum's range. */
const PLACES = [0.15, 0.5, 0.85];

/** Light that mixing adds to a spot, relative to its amplitude, and its derivative across the line. */
export interface Mixed {
  light: number;
  slope: number;
}

/** The difference, tabulated for each channel; nothing before `build`. */
export class Mixing {
  /** Offset that it is computed for. */
  offsetPx = 0;
  private stepPx = 1;
  private from = 0;
  private nodeStep = 1;
  private nodes = 0;
  /** By channel, zone and side (towards +u, then −u): nodes × samples across. */
  private tables: Float32Array[] = [];

  /** Computes it for an offset, and W040 in waves; lengths in px. */
  build(
    cross: CrossProfiles,
    profile: Profile,
    offsetPx: number,
    airyPx: number,
    w: number,
    blurPx: number,
    distancePx: number,
  ): void {
    const { nodes, from, step } = profile;
    const wave = cross.waveOf(offsetPx, airyPx, w);
    this.offsetPx = offsetPx;
    this.from = from;
    this.nodeStep = step;
    this.nodes = nodes;
    this.stepPx = ((rayReach(wave) + 5) * airyPx + 2.5 * blurPx) / HALF_SAMPLES;
    const kernel = gaussianKernel(blurPx / this.stepPx);
    const sharp = new Float64Array(BINS * SAMPLES);
    const spreads = cross.zones.map((zone) =>
      PLACES.map((part) => {
        const ratio = (from + part * step * (nodes - 1)) / distancePx;
        const scale = airyPx * ratio;
        const first = (-HALF_SAMPLES * this.stepPx) / scale;
        zone.sampleAlong(atWavelength(wave, ratio), step / scale, first, this.stepPx / scale, BINS, sharp);
        const blurred = new Float64Array(BINS * SAMPLES);
        for (let at = 0; at < sharp.length; at += SAMPLES)
          blur(sharp.subarray(at, at + SAMPLES), kernel, 1 / scale, blurred.subarray(at, at + SAMPLES));
        return blurred;
      }),
    );
    const common = PLACES.map((_, place) => takeCommon(spreads.map((zone) => zone[place])));
    const channels = profile.values.length / nodes;
    this.tables = Array.from({ length: channels }, (_, channel) => {
      const seen = profile.values.filter((_, i) => i % channels === channel);
      const spectra = [1, -1].map((side) => unspread(seen, common, side));
      return spreads.flatMap((zone) => [spread(zone, spectra[0], 1), spread(zone, spectra[1], -1)]);
    }).flat();
  }

  /** At distance `t` across zone's line and `r` along it, on one side of the star. */
  at(channel: number, zone: number, side: 1 | -1, t: number, r: number, out: Mixed): void {
    out.light = 0;
    out.slope = 0;
    const across = t / this.stepPx + HALF_SAMPLES;
    const along = (r - this.from) / this.nodeStep;
    if (!(across >= 0 && across < SAMPLES - 1 && along >= 0 && along < this.nodes - 1)) return;
    const table = this.tables[6 * channel + 2 * zone + (side > 0 ? 0 : 1)];
    const k = across | 0;
    const node = along | 0;
    const y = along - node;
    const at = node * SAMPLES + k;
    const low = table[at] + y * (table[at + SAMPLES] - table[at]);
    const high = table[at + 1] + y * (table[at + SAMPLES + 1] - table[at + 1]);
    out.light = low + (across - k) * (high - low);
    out.slope = (high - low) / this.stepPx;
  }
}

/** A spectrum's light spread along the line and across it, nodes × samples. */
function spread(zone: Float64Array[], spectrum: Float64Array, side: number): Float32Array {
  const nodes = spectrum.length;
  const table = new Float32Array(nodes * SAMPLES);
  for (let node = 0; node < nodes; node++) {
    const { low, weight } = between(node / (nodes - 1));
    const [lower, upper] = [zone[low], zone[low + 1]];
    for (let bin = 0; bin < BINS; bin++) {
      // Light spread towards +u comes from further in on that side, from further out on the other.
      const source = node - side * (bin - REACH);
      if (source < 0 || source >= nodes) continue;
      const light = spectrum[source];
      for (let k = 0, at = bin * SAMPLES, to = node * SAMPLES; k < SAMPLES; k++, at++, to++)
        table[to] += light * (lower[at] + weight * (upper[at] - lower[at]));
    }
  }
  return table;
}

function between(part: number): { low: number; weight: number } {
  const low = part < PLACES[1] ? 0 : 1;
  return { low, weight: (part - PLACES[low]) / (PLACES[low + 1] - PLACES[low]) };
}

/** Takes out of the zones' spreads, in place, what is common along the line: that is in the spectrum. @returns it */
function takeCommon(zones: Float64Array[]): Float64Array {
  const common = new Float64Array(BINS);
  const lines = zones.map((zone) => {
    const line = new Float64Array(SAMPLES);
    for (let i = 0; i < zone.length; i++) line[i % SAMPLES] += zone[i];
    return line;
  });
  let square = 0;
  zones.forEach((zone, z) => {
    for (const value of lines[z]) square += value * value;
    for (let i = 0; i < zone.length; i++) common[(i / SAMPLES) | 0] += zone[i] * lines[z][i % SAMPLES];
  });
  for (let bin = 0; bin < BINS; bin++) common[bin] /= square;
  zones.forEach((zone, z) => {
    for (let i = 0; i < zone.length; i++) zone[i] -= common[(i / SAMPLES) | 0] * lines[z][i % SAMPLES];
  });
  return common;
}

/** The spectrum before what is common spread it along the line, to second order. */
function unspread(values: Float64Array, common: Float64Array[], side: number): Float64Array {
  const nodes = values.length;
  const spreadOnce = (from: Float64Array) =>
    Float64Array.from({ length: nodes }, (_, node) => {
      const { low, weight } = between(node / (nodes - 1));
      let sum = 0;
      for (let bin = 0; bin < BINS; bin++) {
        const source = Math.max(0, Math.min(nodes - 1, node - side * (bin - REACH)));
        sum += from[source] * (common[low][bin] + weight * (common[low + 1][bin] - common[low][bin]));
      }
      return sum;
    });
  const once = spreadOnce(values);
  const twice = spreadOnce(once);
  return values.map((value, i) => 3 * value - 3 * once[i] + twice[i]);
}
