import type { PixelImage } from '../frame.ts';
import { linearTable } from './linear.ts';
import type { Level } from './pyramid.ts';
import type { RoughPattern } from './rough.ts';
import { SATURATION } from './samples.ts';

/** In frame pixels. */
export interface Place {
  xPx: number;
  yPx: number;
}

/** A compact bright thing that may be the star's own image (zeroth order). */
export interface Candidate extends Place {
  /** Peak luminance above the sky on the level where it was found. */
  peak: number;
  /** Radius of the disc with the area of the region above half of the peak. */
  radiusPx: number;
  /** Ratio of the region's second moments, 1 = round. */
  elongation: number;
  /** Length along its long axis, of an ellipse with its second moments. */
  lengthPx: number;
  /** Direction of its long axis, radians from +x towards +y, modulo π. */
  axisRad: number;
  /** Its middle is darker than half of the peak, as that of a ring is. */
  hollow: boolean;
}

/** Peaks must stand this many σ above the sky. */
const THRESHOLD_SIGMA = 5;
const MAX_REGION_PX = 20000;
/** Brightest peaks looked at on each level. */
const PEAKS = 12;

/**
 * Star candidates and lesser lights, brightest first. Peaks are looked for on several levels, so that a saturated
 * flat core counts once (on a coarse level) and a tiny star is not averaged away (on a fine one).
 */
export function findCandidates(levels: Level[]): Candidate[] {
  const found: Candidate[] = [];
  const perLevel = levels.slice(0, 4).map((level) => localMaxima(level, PEAKS));
  for (let index = perLevel.length - 1; index >= 0; index--) {
    for (const peak of perLevel[index]) {
      const level = levels[Math.max(0, index - 1)];
      const ratio = levels[index].scale / level.scale;
      const region = halfPeakRegion(level, (peak.x + 0.5) * ratio - 0.5, (peak.y + 0.5) * ratio - 0.5);
      if (!region) continue;
      const twin = found.find(
        (other) => Math.hypot(other.xPx - region.xPx, other.yPx - region.yPx) < 2 + region.radiusPx * 0.7,
      );
      if (!twin) found.push(region);
      else if (region.radiusPx < twin.radiusPx) Object.assign(twin, region, { peak: Math.max(twin.peak, region.peak) });
    }
  }
  return found.sort((a, b) => b.peak * Math.min(b.radiusPx, 8) - a.peak * Math.min(a.radiusPx, 8));
}

interface Peak {
  x: number;
  y: number;
  value: number;
}

function localMaxima(level: Level, limit: number): Peak[] {
  const { data, widthPx: width, heightPx: height } = level;
  const threshold = THRESHOLD_SIGMA * level.noise;
  const peaks: Peak[] = [];
  for (let y = 1; y < height - 1; y++) {
    for (let i = y * width + 1, end = (y + 1) * width - 1; i < end; i++) {
      const value = data[i];
      if (
        value > threshold &&
        value > data[i - 1] &&
        value >= data[i + 1] &&
        value > data[i - width] &&
        value >= data[i + width] &&
        value > data[i - width - 1] &&
        value >= data[i + width + 1] &&
        value > data[i - width + 1] &&
        value >= data[i + width - 1]
      )
        peaks.push({ x: i - y * width, y, value });
    }
  }
  return peaks.sort((a, b) => b.value - a.value).slice(0, limit);
}

/** Region connected to the peak near (x, y) and above half of it: centroid, size and shape, in frame pixels. */
function halfPeakRegion(level: Level, x: number, y: number): Candidate | null {
  const { data, widthPx: width, heightPx: height, scale } = level;
  let start = -1;
  let peak = 0;
  for (let dy = -1; dy <= 1; dy++)
    for (let dx = -1; dx <= 1; dx++) {
      const px = Math.round(x) + dx;
      const py = Math.round(y) + dy;
      if (px < 0 || py < 0 || px >= width || py >= height) continue;
      if (data[py * width + px] > peak) {
        peak = data[py * width + px];
        start = py * width + px;
      }
    }
  if (start < 0) return null;
  const half = peak / 2;
  const stack = [start];
  const seen = new Set(stack);
  let area = 0;
  let sum = 0;
  let sumX = 0;
  let sumY = 0;
  let sumXX = 0;
  let sumYY = 0;
  let sumXY = 0;
  while (stack.length > 0) {
    const i = stack.pop()!;
    const px = i % width;
    const py = (i - px) / width;
    // Weighed by the light above half: pixels at the rim come and go without a jump of the centroid.
    const weight = data[i] - half + 1e-3 * peak;
    sum += weight;
    sumX += weight * px;
    sumY += weight * py;
    sumXX += weight * px * px;
    sumYY += weight * py * py;
    sumXY += weight * px * py;
    area++;
    if (seen.size > MAX_REGION_PX) return null;
    for (const next of [px > 0 ? i - 1 : -1, px < width - 1 ? i + 1 : -1, i - width, i + width]) {
      if (next < 0 || next >= data.length || seen.has(next) || data[next] < half) continue;
      seen.add(next);
      stack.push(next);
    }
  }
  const cx = sumX / sum;
  const cy = sumY / sum;
  // 1/12: a pixel's own extent.
  const xx = sumXX / sum - cx * cx + 1 / 12;
  const yy = sumYY / sum - cy * cy + 1 / 12;
  const xy = sumXY / sum - cx * cy;
  const mean = (xx + yy) / 2;
  const spread = Math.sqrt(((xx - yy) / 2) ** 2 + xy * xy);
  return {
    xPx: (cx + 0.5) * scale - 0.5,
    yPx: (cy + 0.5) * scale - 0.5,
    peak,
    radiusPx: Math.sqrt(area / Math.PI) * scale,
    elongation: Math.sqrt((mean + spread) / Math.max(1e-9, mean - spread)),
    lengthPx: 4 * Math.sqrt(mean + spread) * scale,
    axisRad: Math.atan2(2 * xy, xx - yy) / 2,
    hollow: data[Math.round(cy) * width + Math.round(cx)] < half,
  };
}

/** The star at full resolution: the brightest region within `reachPx` of a place, null outside the frame. */
export function starNear(image: PixelImage, xPx: number, yPx: number, reachPx: number): Candidate | null {
  const reach = Math.max(3, Math.ceil(reachPx));
  const left = Math.max(0, Math.round(xPx) - reach);
  const top = Math.max(0, Math.round(yPx) - reach);
  const width = Math.min(image.widthPx, Math.round(xPx) + reach + 1) - left;
  const height = Math.min(image.heightPx, Math.round(yPx) + reach + 1) - top;
  if (width < 3 || height < 3) return null;
  image.need?.({ xPx: left, yPx: top, widthPx: width, heightPx: height });
  const { data, channels } = image;
  const table = linearTable(image);
  const light = new Float32Array(width * height);
  let brightest = -1;
  let at = 0;
  let darkest = Number.POSITIVE_INFINITY;
  for (let y = 0, i = 0; y < height; y++)
    for (let x = 0, p = ((top + y) * image.widthPx + left) * channels; x < width; x++, i++, p += channels) {
      light[i] = channels === 1 ? 3 * table[data[p]] : table[data[p]] + table[data[p + 1]] + table[data[p + 2]];
      darkest = Math.min(darkest, light[i]);
      // Of equally bright (saturated) pixels the one nearest to the expected place.
      const value = light[i] - (1e-3 * Math.sqrt((left + x - xPx) ** 2 + (top + y - yPx) ** 2)) / reach;
      if (value > brightest) {
        brightest = value;
        at = i;
      }
    }
  for (let i = 0; i < light.length; i++) light[i] -= darkest;
  const level = { widthPx: width, heightPx: height, scale: 1, data: light, noise: 0 };
  const region = halfPeakRegion(level, at % width, Math.floor(at / width));
  return region && { ...region, xPx: region.xPx + left, yPx: region.yPx + top };
}

/** Whether a place or a pixel beside it is saturated: its green, as a red or blue star's other colours may not be. */
export function isBurnt({ data, channels, widthPx, heightPx, maxValue }: PixelImage, { xPx, yPx }: Place): boolean {
  const green = channels > 1 ? 1 : 0;
  const [column, row] = [Math.round(xPx), Math.round(yPx)];
  for (let y = Math.max(0, row - 1); y <= Math.min(heightPx - 1, row + 1); y++)
    for (let x = Math.max(0, column - 1); x <= Math.min(widthPx - 1, column + 1); x++)
      if (data[(y * widthPx + x) * channels + green] >= SATURATION * maxValue) return true;
  return false;
}

/**
 * A first order has at most (2/π)² = 0.41 of the zeroth's light, where bars and gaps are equal (Goodman, Introduction
 * to Fourier Optics, §4.4), and draws it out into a spectrum; where two run together, twice that. More is no spot.
 */
const BRIGHTEST_SPOT = 0.81;
/** Half the side of the square that a peak is looked for in, in parts of the spots' distance. */
const PEAK_REACH = 0.1;

/** Whether half of the spots are too bright for the star between them. Of a burnt star nobody knows. */
export function spotsOutshine(image: PixelImage, level: Level, { xPx, yPx, distancePx, pairs }: RoughPattern): boolean {
  const reach = Math.max(2, PEAK_REACH * distancePx);
  const star = peakNear(level, { xPx, yPx }, reach);
  if (isBurnt(image, star)) return false;
  const spots = Object.values(pairs).flatMap(({ angleDeg, shiftPx }) => {
    const [cos, sin] = [Math.cos((angleDeg * Math.PI) / 180), Math.sin((angleDeg * Math.PI) / 180)];
    return [distancePx, -distancePx].map(
      (along) =>
        peakNear(level, { xPx: xPx + along * cos - shiftPx * sin, yPx: yPx + along * sin + shiftPx * cos }, reach).peak,
    );
  });
  return spots.sort((a, b) => a - b)[spots.length >> 1] > BRIGHTEST_SPOT * star.peak;
}

/** The brightest pixel of a full-size level within a square. */
function peakNear({ data, widthPx, heightPx }: Level, around: Place, reach: number): Place & { peak: number } {
  const best = { ...around, peak: 0 };
  for (let y = Math.max(0, Math.round(around.yPx - reach)); y <= Math.min(heightPx - 1, around.yPx + reach); y++)
    for (let x = Math.max(0, Math.round(around.xPx - reach)); x <= Math.min(widthPx - 1, around.xPx + reach); x++)
      if (data[y * widthPx + x] > best.peak) Object.assign(best, { xPx: x, yPx: y, peak: data[y * widthPx + x] });
  return best;
}
