/**
 * Place, shape and size of one star. The shape is found by adaptive moments: a Gaussian weight is matched to
 * the star until weight and weighted moments agree, which is the elliptical Gaussian of least squares
 * (Bernstein & Jarvis 2002, AJ 123, 583, §3; Hirata & Seljak 2003, MNRAS 343, 459).
 */

/** Part of the picture above the sky, in units of its noise, and whose pixels are whose. */
export interface Patch {
  widthPx: number;
  heightPx: number;
  data: Float32Array;
  /** Peak of each pixel, 0 for sky. */
  labels: Int32Array;
}

export interface Shape {
  xPx: number;
  yPx: number;
  /** Moments of the Gaussian that fits best, as the pixels show it, px². */
  xx: number;
  yy: number;
  xy: number;
  /** Matched-filter signal over white noise of 1. */
  snr: number;
}

/** Variance of a pixel's own width, px². */
export const PIXEL_VARIANCE = 1 / 12;

const ROUNDS = 40;
/** The weight is followed to so many of its standard deviations. */
const REACH = 4;
/** Up to this variance (px²) of the weight, pixels are divided into so many parts each way. */
const NARROW = 1.5;
const PARTS = 3;
/** Least variance of the weight, px². */
const LEAST = 0.06;

/**
 * @param startPx standard deviation to begin with
 * @returns null when nothing star-like is there, or it is wider than `mostPx`
 */
export function shapeOf(patch: Patch, label: number, xPx: number, yPx: number, startPx: number, mostPx: number) {
  const start = { xPx, yPx, xx: startPx ** 2, yy: startPx ** 2, xy: 0, snr: 0 };
  const shape = matched(patch, label, start, mostPx, 1);
  if (shape && Math.min(shape.xx, shape.yy) > NARROW) return shape;
  // A narrow weight changes much within a pixel: there each pixel's light is taken as even over it, which widens it.
  const narrow = matched(patch, label, { ...start, xx: NARROW, yy: NARROW }, mostPx, PARTS);
  if (!narrow) return shape;
  const [xx, yy] = [narrow.xx - PIXEL_VARIANCE, narrow.yy - PIXEL_VARIANCE];
  return { ...narrow, xx, yy };
}

function matched(patch: Patch, label: number, start: Shape, mostPx: number, parts: number): Shape | null {
  let shape = start;
  for (let round = 0; round < ROUNDS; round++) {
    const next = improved(patch, label, shape, parts);
    if (!next || next.xx + next.yy > 2 * mostPx ** 2) return null;
    if (Math.hypot(next.xPx - start.xPx, next.yPx - start.yPx) > 1 + Math.sqrt(start.xx + next.xx + next.yy))
      return null;
    const change = Math.abs(next.xx - shape.xx) + Math.abs(next.yy - shape.yy) + Math.abs(next.xy - shape.xy);
    shape = next;
    if (change < 1e-3 * (next.xx + next.yy)) break;
  }
  return shape;
}

/** One round; the light of other peaks is replaced by what stands opposite the star's centre. */
function improved(
  { widthPx, heightPx, data, labels }: Patch,
  label: number,
  shape: Shape,
  parts: number,
): Shape | null {
  const { xPx, yPx, xx, yy, xy } = shape;
  const det = xx * yy - xy * xy;
  const [ixx, iyy, ixy] = [yy / det, xx / det, -xy / det];
  const [reachX, reachY] = [REACH * Math.sqrt(xx) + 0.5, REACH * Math.sqrt(yy) + 0.5];
  const [x0, x1] = [Math.max(0, Math.ceil(xPx - reachX)), Math.min(widthPx - 1, Math.floor(xPx + reachX))];
  const [y0, y1] = [Math.max(0, Math.ceil(yPx - reachY)), Math.min(heightPx - 1, Math.floor(yPx + reachY))];
  const mirror = Math.round(2 * yPx) * widthPx + Math.round(2 * xPx);
  let [sum, sumX, sumY, sumXX, sumYY, sumXY, squares] = [0, 0, 0, 0, 0, 0, 0];
  for (let y = y0; y <= y1; y++)
    for (let x = x0, at = y * widthPx + x0; x <= x1; x++, at++) {
      let from = at;
      if (labels[at] !== 0 && labels[at] !== label) {
        from = mirror - at;
        if (!(labels[from] === 0 || labels[from] === label)) continue;
      }
      const value = data[from] / parts ** 2;
      let whole = 0;
      for (let part = 0; part < parts ** 2; part++) {
        const dx = x - xPx + ((part % parts) + 0.5) / parts - 0.5;
        const dy = y - yPx + (Math.floor(part / parts) + 0.5) / parts - 0.5;
        const weight = Math.exp(-0.5 * (ixx * dx * dx + iyy * dy * dy + 2 * ixy * dx * dy));
        whole += weight;
        const light = weight * value;
        sum += light;
        sumX += light * dx;
        sumY += light * dy;
        sumXX += light * dx * dx;
        sumYY += light * dy * dy;
        sumXY += light * dx * dy;
      }
      squares += (whole / parts ** 2) ** 2;
    }
  if (!(sum > 0)) return null;
  const [mx, my] = [sumX / sum, sumY / sum];
  // A Gaussian times a Gaussian weight of its own shape has half its moments.
  const next = {
    xPx: xPx + 2 * mx,
    yPx: yPx + 2 * my,
    xx: 2 * (sumXX / sum - mx * mx),
    yy: 2 * (sumYY / sum - my * my),
    xy: 2 * (sumXY / sum - mx * my),
    snr: sum / Math.sqrt(squares),
  };
  // Narrower than this no pixel can show it; a lone bright pixel would shrink on for ever.
  if (next.xx < LEAST || next.yy < LEAST) return { ...next, xx: LEAST, yy: LEAST, xy: 0 };
  return next.xx * next.yy > next.xy ** 2 ? next : null;
}

/** Axes of the ellipse without the pixel's own width: standard deviations, px, and direction in (−90, 90]. */
export function axesOf({ xx, yy, xy }: Pick<Shape, 'xx' | 'yy' | 'xy'>) {
  const middle = (xx + yy) / 2 - PIXEL_VARIANCE;
  const half = Math.hypot((xx - yy) / 2, xy);
  const least = 0.01;
  const angle = (Math.atan2(2 * xy, xx - yy) * 90) / Math.PI;
  return {
    majorPx: Math.sqrt(Math.max(least, middle + half)),
    minorPx: Math.sqrt(Math.max(least, middle - half)),
    angleDeg: angle <= -90 ? 90 : angle,
  };
}

/** Width of a bin of the curve of growth, px. */
const BIN_PX = 0.05;

/**
 * Curve of growth about a place: the light within `reachPx`, and the radii with half and 80 % of it. Pixels are
 * divided evenly where the circle cuts them; other peaks' pixels are replaced as above.
 */
export function growth(
  { widthPx, heightPx, data, labels }: Patch,
  label: number,
  { xPx, yPx }: Shape,
  reachPx: number,
) {
  const bins = new Float64Array(Math.ceil(reachPx / BIN_PX));
  const parts = reachPx < 7 ? 5 : reachPx < 15 ? 3 : 2;
  const reach = reachPx + 0.75;
  const [x0, x1] = [Math.max(0, Math.ceil(xPx - reach)), Math.min(widthPx - 1, Math.floor(xPx + reach))];
  const [y0, y1] = [Math.max(0, Math.ceil(yPx - reach)), Math.min(heightPx - 1, Math.floor(yPx + reach))];
  const mirror = Math.round(2 * yPx) * widthPx + Math.round(2 * xPx);
  for (let y = y0; y <= y1; y++)
    for (let x = x0, at = y * widthPx + x0; x <= x1; x++, at++) {
      let from = at;
      if (labels[at] !== 0 && labels[at] !== label) {
        from = mirror - at;
        if (!(labels[from] === 0 || labels[from] === label)) continue;
      }
      const light = data[from] / parts ** 2;
      for (let j = 0; j < parts; j++) {
        const dy = y - yPx + (j + 0.5) / parts - 0.5;
        for (let i = 0; i < parts; i++) {
          const dx = x - xPx + (i + 0.5) / parts - 0.5;
          const bin = Math.floor(Math.sqrt(dx * dx + dy * dy) / BIN_PX);
          if (bin < bins.length) bins[bin] += light;
        }
      }
    }
  let total = 0;
  for (const light of bins) total += light;
  return { light: total, halfPx: radiusWith(bins, 0.5 * total), mostPx: radiusWith(bins, 0.8 * total) };
}

function radiusWith(bins: Float64Array, wanted: number): number {
  let sum = 0;
  for (let i = 0; i < bins.length; i++) {
    if (sum + bins[i] >= wanted) return BIN_PX * (i + (wanted - sum) / bins[i]);
    sum += bins[i];
  }
  return Number.NaN;
}
