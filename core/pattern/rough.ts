/**
 * Finds the three pairs roughly: around a star candidate the picture is sampled in log-polar
 * coordinates, where a first-order spot is a short radial stroke with a gap on either side. Spikes
 * and trails run on through the gap, so they score below zero.
 */
import type { Candidate } from './candidates.ts';
import type { Level } from './pyramid.ts';

/** Rough geometry of the pattern in frame pixels and degrees. */
export interface RoughPattern {
  xPx: number;
  yPx: number;
  /** Distance of the spots' brightest part from the star. */
  distancePx: number;
  /** The three pairs; `middle` lies between the others in angle. */
  pairs: { minus: RoughPair; middle: RoughPair; plus: RoughPair };
  /** Sum over the six spots of their capped signal-to-noise. */
  score: number;
}

export interface RoughPair {
  /** Direction of the line, degrees (any branch). */
  angleDeg: number;
  /** Perpendicular displacement of the line from the star, px, along (−sin, cos) of angleDeg. */
  shiftPx: number;
  /** Signal-to-noise of the spots at +u and −u of the line. */
  snr: [number, number];
}

const COLUMNS = 360;
const STEP = 1.06;
const MIN_RADIUS_PX = 3.2;
/** Radial extent of a spot: 430–680 nm about its brightest part, in steps of the log radius. */
const HALF_BAND = 3;
const GAP_FROM = 6;
const GAP_TO = 8;
const SPOT_SIGMA = 3.5;
const SHOULDER_SIGMA = 8;
const MIN_OUTER_DEG = 5;
const MAX_OUTER_DEG = 44;

interface AnglePeak {
  deg: number;
  value: number;
  snr: number;
}

/** Log-polar samples: rows are radii, columns are degrees from +x towards +y. */
export interface PolarMap {
  rows: number;
  data: Float32Array;
  radiusPx: (row: number) => number;
}

/** Samples each radius on the pyramid level whose pixels match the sample spacing, so that nothing is skipped. */
export function polarMap(levels: Level[], xPx: number, yPx: number, maxRadiusPx: number): PolarMap {
  const rows = Math.max(1, Math.floor(Math.log(maxRadiusPx / MIN_RADIUS_PX) / Math.log(STEP)) + 1);
  const data = new Float32Array(rows * COLUMNS);
  for (let row = 0; row < rows; row++) {
    const radius = MIN_RADIUS_PX * STEP ** row;
    // Radial spacing is 6 % of the radius, angular 1.7 %: a level pixel of about 4 % serves both.
    const index = Math.min(levels.length - 1, Math.max(0, Math.floor(Math.log2(radius * 0.045))));
    const { data: pixels, widthPx, heightPx, scale } = levels[index];
    for (let column = 0; column < COLUMNS; column++) {
      const x = (xPx + radius * COS[column] + 0.5) / scale - 0.5;
      const y = (yPx + radius * SIN[column] + 0.5) / scale - 0.5;
      const x0 = Math.floor(x);
      const y0 = Math.floor(y);
      let value = NaN;
      if (x0 >= 0 && y0 >= 0 && x0 < widthPx - 1 && y0 < heightPx - 1) {
        const fx = x - x0;
        const fy = y - y0;
        const i = y0 * widthPx + x0;
        value =
          (pixels[i] * (1 - fx) + pixels[i + 1] * fx) * (1 - fy) +
          (pixels[i + widthPx] * (1 - fx) + pixels[i + widthPx + 1] * fx) * fy;
      }
      data[row * COLUMNS + column] = value;
    }
  }
  return { rows, data, radiusPx: (row) => MIN_RADIUS_PX * STEP ** row };
}

const COS = Float64Array.from({ length: COLUMNS }, (_, i) => Math.cos((i * Math.PI) / 180));
const SIN = Float64Array.from({ length: COLUMNS }, (_, i) => Math.sin((i * Math.PI) / 180));

/**
 * The best arrangement of three pairs about `star`, or null.
 * @param maxRadiusPx how far out spots are looked for
 */
export function findRough(levels: Level[], star: Candidate, maxRadiusPx: number): RoughPattern | null {
  const map = polarMap(levels, star.xPx, star.yPx, maxRadiusPx);
  const prefix = radialSums(map);
  const noise = levels[0].noise;
  let best: RoughPattern | null = null;
  const contrast = new Float32Array(COLUMNS);
  for (let row = GAP_TO; row + HALF_BAND < map.rows; row++) {
    if (map.radiusPx(row) < star.radiusPx * 1.5) continue;
    bandContrast(prefix, map, row, contrast);
    const peaks = anglePeaks(contrast, noise, map.radiusPx(row));
    if (peaks.length < 5) continue;
    const found = bestTriple(peaks, star, map.radiusPx(row));
    if (found && (!best || found.score > best.score)) best = found;
  }
  return best;
}

/** Running sums along the radius; NaN (outside the frame) counts as sky. */
function radialSums(map: PolarMap): Float32Array {
  const sums = new Float32Array((map.rows + 1) * COLUMNS);
  for (let row = 0; row < map.rows; row++)
    for (let column = 0; column < COLUMNS; column++) {
      const value = map.data[row * COLUMNS + column];
      sums[(row + 1) * COLUMNS + column] = sums[row * COLUMNS + column] + (Number.isNaN(value) ? 0 : value);
    }
  return sums;
}

/** Mean of the band about `row` less the brighter one of the gaps inside and outside. */
function bandContrast(sums: Float32Array, map: PolarMap, row: number, out: Float32Array): void {
  const mean = (from: number, to: number, column: number) =>
    (sums[(to + 1) * COLUMNS + column] - sums[from * COLUMNS + column]) / (to - from + 1);
  const outerFrom = Math.min(map.rows - 1, row + GAP_FROM);
  const outerTo = Math.min(map.rows - 1, row + GAP_TO);
  for (let column = 0; column < COLUMNS; column++) {
    const band = mean(row - HALF_BAND, row + HALF_BAND, column);
    const inner = mean(row - GAP_TO, row - GAP_FROM, column);
    const outer = mean(outerFrom, outerTo, column);
    out[column] = band - Math.max(inner, outer, 0);
  }
}

/** Local maxima over the angle, interpolated, strongest first. */
function anglePeaks(contrast: Float32Array, noise: number, radiusPx: number): AnglePeak[] {
  // A sample of the band averages about this many frame pixels.
  const independent = Math.max(1, 0.4 * radiusPx * Math.max(1, radiusPx * 0.03));
  const sigma = noise / Math.sqrt(independent);
  // Smooth over a frame pixel's worth of angle at small radii, where 1° is far below the resolution.
  const halfWidth = Math.max(1, Math.min(6, Math.round(30 / radiusPx)));
  const smooth = new Float32Array(COLUMNS);
  for (let i = 0; i < COLUMNS; i++) {
    let sum = 0;
    for (let j = -halfWidth; j <= halfWidth; j++) sum += contrast[(i + j + COLUMNS) % COLUMNS];
    smooth[i] = sum / (2 * halfWidth + 1);
  }
  const peaks = localPeaks(smooth, smooth, SPOT_SIGMA * sigma, sigma);
  // Saturated or blurred spots run together: shoulders show as maxima of the bend, −A″, at a spot's scale.
  const lag = Math.max(3, Math.round(150 / radiusPx));
  const bend = new Float32Array(COLUMNS);
  for (let i = 0; i < COLUMNS; i++)
    bend[i] = smooth[i] - (smooth[(i + lag) % COLUMNS] + smooth[(i + COLUMNS - lag) % COLUMNS]) / 2;
  for (const shoulder of localPeaks(bend, smooth, SHOULDER_SIGMA * sigma, sigma))
    if (shoulder.value > SPOT_SIGMA * sigma && peaks.every((peak) => Math.abs(wrap180(peak.deg - shoulder.deg)) > 4))
      peaks.push(shoulder);
  peaks.sort((a, b) => b.value - a.value);
  const strongest = peaks[0]?.value ?? 0;
  return peaks.slice(0, 14).filter((peak) => peak.value > 0.02 * strongest);
}

/** Local maxima of `curve` above `threshold`, with `height` at each. */
function localPeaks(curve: Float32Array, height: Float32Array, threshold: number, sigma: number): AnglePeak[] {
  const peaks: AnglePeak[] = [];
  for (let i = 0; i < COLUMNS; i++) {
    const value = curve[i];
    const before = curve[(i + COLUMNS - 1) % COLUMNS];
    const after = curve[(i + 1) % COLUMNS];
    if (value < threshold || value <= before || value < after) continue;
    const curvature = before - 2 * value + after;
    const shift = curvature < 0 ? (before - after) / (2 * curvature) : 0;
    peaks.push({ deg: i + Math.max(-0.5, Math.min(0.5, shift)), value: height[i], snr: height[i] / sigma });
  }
  return peaks;
}

interface AnglePair {
  axis: number;
  shiftDeg: number;
  ends: [AnglePeak, AnglePeak];
  value: number;
}

function bestTriple(peaks: AnglePeak[], star: Candidate, radiusPx: number): RoughPattern | null {
  const pairs: AnglePair[] = [];
  for (let i = 0; i < peaks.length; i++)
    for (let j = i + 1; j < peaks.length; j++) {
      const [a, b] = [peaks[i], peaks[j]];
      const opposite = wrap180(b.deg - a.deg - 180);
      if (Math.abs(opposite) > 60) continue;
      const ratio = Math.min(a.value, b.value) / Math.max(a.value, b.value);
      if (ratio < 0.3) continue;
      // The line's direction taken towards peak a; a shift along n turns a's end by +δ and b's by −δ.
      pairs.push({ axis: a.deg + opposite / 2, shiftDeg: -opposite / 2, ends: [a, b], value: a.value + b.value });
    }
  let best: RoughPattern | null = null;
  for (let i = 0; i < pairs.length; i++)
    for (let j = i + 1; j < pairs.length; j++)
      for (let k = j + 1; k < pairs.length; k++) {
        const found = asPattern([pairs[i], pairs[j], pairs[k]], star, radiusPx);
        if (found && (!best || found.score > best.score)) best = found;
      }
  return best;
}

/** Checks the geometry of three pairs: different spots, and outer lines at equal angles from the middle one. */
function asPattern(triple: AnglePair[], star: Candidate, radiusPx: number): RoughPattern | null {
  const ends = new Set(triple.flatMap((pair) => pair.ends));
  if (ends.size < 6) return null;
  // Bring the axes to one branch, next to the first, with their ends in the same order.
  const aligned = triple.map((pair) => {
    const turn = wrap180(pair.axis - triple[0].axis);
    return Math.abs(turn) <= 90
      ? { ...pair, axis: triple[0].axis + turn }
      : {
          ...pair,
          axis: triple[0].axis + wrap180(turn + 180),
          ends: [pair.ends[1], pair.ends[0]] as [AnglePeak, AnglePeak],
        };
  });
  aligned.sort((a, b) => a.axis - b.axis);
  const [minus, middle, plus] = aligned;
  const low = middle.axis - minus.axis;
  const high = plus.axis - middle.axis;
  if (low < MIN_OUTER_DEG || high < MIN_OUTER_DEG || low > MAX_OUTER_DEG || high > MAX_OUTER_DEG) return null;
  const tolerance = 2 + (0.1 * (low + high)) / 2 + 40 / radiusPx;
  if (Math.abs(low - high) > tolerance) return null;
  // A real shift leaves the spots within their own half plane and the outer ones less shifted than θ.
  for (const pair of aligned) if (Math.abs(pair.shiftDeg) > (1.3 * (low + high)) / 2) return null;
  const cap = (snr: number) => Math.log1p(snr);
  const score =
    [...ends].reduce((sum, peak) => sum + cap(peak.snr), 0) -
    (2 * Math.abs(low - high)) / tolerance -
    aligned.reduce((sum, pair) => sum + Math.abs(Math.log(pair.ends[0].value / pair.ends[1].value)), 0);
  const rough = (pair: AnglePair): RoughPair => ({
    angleDeg: pair.axis,
    shiftPx: radiusPx * Math.sin((pair.shiftDeg * Math.PI) / 180),
    snr: [pair.ends[0].snr, pair.ends[1].snr],
  });
  return {
    xPx: star.xPx,
    yPx: star.yPx,
    distancePx: radiusPx,
    pairs: { minus: rough(minus), middle: rough(middle), plus: rough(plus) },
    score,
  };
}

/** Angle brought into [−180, 180). */
export function wrap180(deg: number): number {
  return ((((deg + 180) % 360) + 360) % 360) - 180;
}
