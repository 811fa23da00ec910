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
  /** Sum over the spots of the logarithm of their signal-to-noise, less penalties for what is odd. */
  score: number;
}

export interface RoughPair {
  /** Direction of the line, degrees (any branch). */
  angleDeg: number;
  /** Perpendicular displacement of the line from the star, px, along (−sin, cos) of angleDeg. */
  shiftPx: number;
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
const SHOULDER_PENALTY = 1.5;
const MERGED_PENALTY = 10;
const MIN_OUTER_DEG = 5;
const MAX_OUTER_DEG = 44;

interface AnglePeak {
  deg: number;
  /** Seen only as a bend in a neighbour's flank. */
  shoulder: boolean;
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

/** Arrangements worth a fit, at most. */
const MOST_ROUGH = 4;

/**
 * Likely arrangements of three pairs about `star`, best first; different ones only.
 * @param maxRadiusPx how far out spots are looked for
 */
export function findRough(levels: Level[], star: Candidate, maxRadiusPx: number): RoughPattern[] {
  const map = polarMap(levels, star.xPx, star.yPx, maxRadiusPx);
  const sums = radialSums(map);
  const noise = levels[0].noise;
  const contrast = new Float32Array(COLUMNS);
  const all: RoughPattern[] = [];
  for (let row = GAP_TO; row + HALF_BAND < map.rows; row++) {
    const radiusPx = map.radiusPx(row);
    if (radiusPx < star.radiusPx * 1.5) continue;
    bandContrast(sums, map, row, contrast);
    const peaks = anglePeaks(contrast, noise, radiusPx);
    if (peaks.length >= 5) all.push(...triples(peaks, star, radiusPx));
    if (peaks.length >= 4) all.push(...mergedPatterns(peaks, star, radiusPx));
  }
  all.sort((a, b) => b.score - a.score);
  const kept: RoughPattern[] = [];
  for (const rough of all) {
    if (kept.length === MOST_ROUGH || rough.score < all[0].score - 15) break;
    if (!kept.some((other) => alike(rough, other))) kept.push(rough);
  }
  return kept;
}

/** Whether a fit started from either would go the same way. */
function alike(a: RoughPattern, b: RoughPattern): boolean {
  const ratio = a.distancePx / b.distancePx;
  return (
    ratio < 1.15 &&
    ratio > 0.87 &&
    (['minus', 'middle', 'plus'] as const).every(
      (pair) =>
        Math.abs(wrap180(2 * (a.pairs[pair].angleDeg - b.pairs[pair].angleDeg))) < 10 &&
        Math.abs(a.pairs[pair].shiftPx - b.pairs[pair].shiftPx) < 0.08 * a.distancePx,
    )
  );
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
  const peaks = localPeaks(smooth, smooth, SPOT_SIGMA * sigma, sigma, false);
  // Saturated or blurred spots run together: shoulders show as maxima of the bend, −A″, at a spot's scale.
  const lag = Math.max(3, Math.round(150 / radiusPx));
  const bend = new Float32Array(COLUMNS);
  for (let i = 0; i < COLUMNS; i++)
    bend[i] = smooth[i] - (smooth[(i + lag) % COLUMNS] + smooth[(i + COLUMNS - lag) % COLUMNS]) / 2;
  for (const shoulder of localPeaks(bend, smooth, SHOULDER_SIGMA * sigma, sigma, true))
    if (shoulder.value > SPOT_SIGMA * sigma && peaks.every((peak) => Math.abs(wrap180(peak.deg - shoulder.deg)) > 4))
      peaks.push(shoulder);
  peaks.sort((a, b) => b.value - a.value);
  const strongest = peaks[0]?.value ?? 0;
  return peaks.slice(0, 14).filter((peak) => peak.value > 0.02 * strongest);
}

/** Local maxima of `curve` above `threshold`, with `height` at each. */
function localPeaks(
  curve: Float32Array,
  height: Float32Array,
  threshold: number,
  sigma: number,
  shoulder: boolean,
): AnglePeak[] {
  const peaks: AnglePeak[] = [];
  for (let i = 0; i < COLUMNS; i++) {
    const value = curve[i];
    const before = curve[(i + COLUMNS - 1) % COLUMNS];
    const after = curve[(i + 1) % COLUMNS];
    if (value < threshold || value <= before || value < after) continue;
    const curvature = before - 2 * value + after;
    const shift = curvature < 0 ? (before - after) / (2 * curvature) : 0;
    peaks.push({ deg: i + Math.max(-0.5, Math.min(0.5, shift)), shoulder, value: height[i], snr: height[i] / sigma });
  }
  return peaks;
}

interface AnglePair {
  axis: number;
  shiftDeg: number;
  ends: [AnglePeak, AnglePeak];
}

/** The line through two peaks on opposite sides, or null when they are no pair. */
function pairOf(a: AnglePeak, b: AnglePeak): AnglePair | null {
  const opposite = wrap180(b.deg - a.deg - 180);
  if (Math.abs(opposite) > 60 || Math.min(a.value, b.value) < 0.3 * Math.max(a.value, b.value)) return null;
  // The line's direction is taken towards a; a shift along n turns a's end by +δ and b's by −δ.
  return { axis: a.deg + opposite / 2, shiftDeg: -opposite / 2, ends: [a, b] };
}

/** The best three pairs of clear peaks, and of clear peaks with shoulders. */
function triples(peaks: AnglePeak[], star: Candidate, radiusPx: number): RoughPattern[] {
  const pairs: AnglePair[] = [];
  for (let i = 0; i < peaks.length; i++)
    for (let j = i + 1; j < peaks.length; j++) {
      const pair = pairOf(peaks[i], peaks[j]);
      if (pair) pairs.push(pair);
    }
  let clear: RoughPattern | null = null;
  let any: RoughPattern | null = null;
  for (let i = 0; i < pairs.length; i++)
    for (let j = i + 1; j < pairs.length; j++) {
      if (shareEnd(pairs[i], pairs[j])) continue;
      for (let k = j + 1; k < pairs.length; k++) {
        if (shareEnd(pairs[i], pairs[k]) || shareEnd(pairs[j], pairs[k])) continue;
        const triple = [pairs[i], pairs[j], pairs[k]];
        const found = asPattern(triple, star, radiusPx);
        if (!found) continue;
        if (!any || found.score > any.score) any = found;
        if (triple.some(({ ends }) => ends[0].shoulder || ends[1].shoulder)) continue;
        if (!clear || found.score > clear.score) clear = found;
      }
    }
  return [clear, any].filter((rough) => rough !== null);
}

function shareEnd(a: AnglePair, b: AnglePair): boolean {
  return a.ends.includes(b.ends[0]) || a.ends.includes(b.ends[1]);
}

/**
 * Far from focus the middle pair runs into one outer pair on one side and into the other one on the
 * other side: two lumps a side, one of them an outer spot alone. Which lump is the single one is left
 * to the fit, so both readings are given.
 */
function mergedPatterns(peaks: AnglePeak[], star: Candidate, radiusPx: number): RoughPattern[] {
  const lumps = peaks.filter((peak) => !peak.shoulder).slice(0, 4);
  if (lumps.length < 4) return [];
  const axis = lumps[0].deg;
  const side = (peak: AnglePeak) => Math.abs(wrap180(peak.deg - axis)) < 90;
  const near = lumps.filter(side).sort((a, b) => wrap180(a.deg - axis) - wrap180(b.deg - axis));
  const far = lumps
    .filter((peak) => !side(peak))
    .sort((a, b) => wrap180(a.deg - axis - 180) - wrap180(b.deg - axis - 180));
  if (near.length !== 2 || far.length !== 2) return [];
  const weak = Math.min(...lumps.map((lump) => lump.value)) / Math.max(...lumps.map((lump) => lump.value));
  if (weak < 0.1) return [];
  const found: RoughPattern[] = [];
  // The single outer spots are both first or both last in the order of angle.
  for (const [single, double] of [
    [0, 1],
    [1, 0],
  ]) {
    const a = near[single].deg;
    const b = wrap180(far[1 - single].deg - 180 - a) + a;
    const middle = (a + b) / 2;
    const outer = Math.abs(b - a) / 2;
    if (outer < MIN_OUTER_DEG || outer > MAX_OUTER_DEG) continue;
    // A lump lies between the outer spot it hides and the middle one.
    const ends = [2 * near[double].deg - b - middle, -(2 * far[1 - double].deg - 180 - a - middle)].map(wrap180);
    if (Math.abs(ends[0] - ends[1]) > outer) continue;
    const shiftDeg = (ends[0] + ends[1]) / 2;
    if (Math.abs(shiftDeg) > 1.3 * outer) continue;
    const line = (angleDeg: number, shift: number): RoughPair => ({
      angleDeg,
      shiftPx: radiusPx * Math.sin((shift * Math.PI) / 180),
    });
    found.push({
      xPx: star.xPx,
      yPx: star.yPx,
      distancePx: radiusPx,
      pairs: { minus: line(middle - outer, 0), middle: line(middle, shiftDeg), plus: line(middle + outer, 0) },
      score: 1.5 * lumps.reduce((sum, lump) => sum + Math.log1p(lump.snr), 0) - MERGED_PENALTY,
    });
  }
  return found;
}

/** Checks the geometry of three pairs: different spots, and outer lines at equal angles from the middle one. */
function asPattern(triple: AnglePair[], star: Candidate, radiusPx: number): RoughPattern | null {
  // Bring the axes to one branch, next to the first, with their ends in the same order.
  const aligned = triple.map((pair) => {
    const turn = wrap180(pair.axis - triple[0].axis);
    return Math.abs(turn) <= 90
      ? { ...pair, axis: triple[0].axis + turn }
      : {
          ...pair,
          axis: triple[0].axis + wrap180(turn + 180),
          shiftDeg: -pair.shiftDeg,
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
  const outer = (low + high) / 2;
  let score = (-2 * Math.abs(low - high)) / tolerance;
  for (const { ends, shiftDeg } of aligned) {
    for (const end of ends) score += Math.log1p(end.snr) - (end.shoulder ? SHOULDER_PENALTY : 0);
    score -= Math.abs(Math.log(ends[0].value / ends[1].value)) + 2 * (shiftDeg / outer) ** 2;
  }
  const rough = (pair: AnglePair): RoughPair => ({
    angleDeg: pair.axis,
    shiftPx: radiusPx * Math.sin((pair.shiftDeg * Math.PI) / 180),
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
