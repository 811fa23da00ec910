/**
 * The Cramér–Rao bound of the offset: no unbiased measurement of where the spots stand in a frame can have a smaller σ.
 *
 * Unknowns: offset, star position (2), rotation, outer angle, scale, light of each zone (3),
 * background of each channel. Assumptions: layout and spot shapes known, and the offset moves each
 * zone's spots rigidly; independent noise in every pixel and channel with the variance given; saturated pixels tell
 * nothing; the zeroth order counts. How shapes change with defocus is not used: out of focus that tells of the offset,
 * too, most of all where strips lie side by side along u, and whoever knows the mask could do better than this.
 * Fisher information of independent Gaussian noise: Kay, Fundamentals of Statistical Signal Processing I, §3.9 (the
 * variance's own dependence on the unknowns is left out).
 */
import { invert } from '../pattern/solve.ts';

/** Images as planes of equal size. */
type Planes = readonly Float32Array[];

export interface BoundInput {
  widthPx: number;
  heightPx: number;
  /** The noise-free frame with the background, linear, any unit. */
  whole: Planes;
  /** Light of each zone's first and higher orders alone, no background. */
  zones: { middle: Planes; plus: Planes; minus: Planes };
  /** How far each zone's spots move in x and y per px of offset. */
  shift: Record<'middle' | 'plus' | 'minus', { x: number; y: number }>;
  /** Star, about which rotation and scale turn and stretch. */
  starXPx: number;
  starYPx: number;
  /** Variance of a pixel of a channel for the value it has; Infinity where it tells nothing. */
  variance: (value: number, channel: number) => number;
}

/**
 * Central differences of eighth order, from a pixel's neighbours outwards (Fornberg, Math. Comp. 51, 699 (1988)): a spot
 * two pixels wide is not flattened, as it would be by the nearest neighbours alone.
 */
const SLOPE = [4 / 5, -1 / 5, 4 / 105, -1 / 280];

/** @returns bound on σ of the offset, px; NaN when the frame does not determine it */
export function offsetBoundPx(input: BoundInput): number {
  const { widthPx, heightPx, whole, zones, shift, starXPx, starYPx, variance } = input;
  const channels = whole.length;
  const size = 9 + channels;
  const matrix = Array.from({ length: size }, () => new Float64Array(size));
  const row = new Float64Array(size);
  for (let c = 0; c < channels; c++) {
    const image = whole[c];
    const { middle, plus, minus } = { middle: zones.middle[c], plus: zones.plus[c], minus: zones.minus[c] };
    const margin = SLOPE.length;
    for (let y = margin; y < heightPx - margin; y++)
      for (let x = margin; x < widthPx - margin; x++) {
        const i = y * widthPx + x;
        const weight = 1 / variance(image[i], c);
        if (weight === 0) continue;
        const slope = (plane: Float32Array) => [slopeAt(plane, i, 1), slopeAt(plane, i, widthPx)];
        const [sx, sy] = slope(image);
        const [cx, cy] = slope(middle);
        const [px, py] = slope(plus);
        const [mx, my] = slope(minus);
        const [dx, dy] = [x - starXPx, y - starYPx];
        row.fill(0);
        row[0] = -(
          cx * shift.middle.x +
          cy * shift.middle.y +
          px * shift.plus.x +
          py * shift.plus.y +
          mx * shift.minus.x +
          my * shift.minus.y
        );
        row[1] = -sx;
        row[2] = -sy;
        row[3] = dy * sx - dx * sy;
        row[4] = dy * px - dx * py - (dy * mx - dx * my);
        row[5] = dx * sx + dy * sy;
        row[6] = middle[i];
        row[7] = plus[i];
        row[8] = minus[i];
        row[9 + c] = 1;
        for (let p = 0; p < size; p++) {
          if (row[p] === 0) continue;
          const weighted = weight * row[p];
          for (let q = 0; q <= p; q++) matrix[p][q] += weighted * row[q];
        }
      }
  }
  if (matrix[0][0] === 0) return Number.NaN;
  for (let p = 0; p < size; p++) for (let q = 0; q < p; q++) matrix[q][p] = matrix[p][q];
  // Scaled to a unit diagonal first: angles, pixels and fluxes differ by many powers of ten.
  const scale = Float64Array.from(matrix, (line, p) => (line[p] > 0 ? 1 / Math.sqrt(line[p]) : 1));
  const scaled = matrix.map((line, p) =>
    line.map((value, q) => (p === q ? Math.max(value * scale[p] ** 2, 1e-9) : value * scale[p] * scale[q])),
  );
  const covariance = invert(scaled);
  return covariance ? Math.sqrt(covariance[0][0]) * scale[0] : Number.NaN;
}

/** @param stride from a pixel to its neighbour in the direction of the slope */
function slopeAt(plane: Float32Array, i: number, stride: number): number {
  let slope = 0;
  for (let k = 0; k < SLOPE.length; k++)
    slope += SLOPE[k] * (plane[i + (k + 1) * stride] - plane[i - (k + 1) * stride]);
  return slope;
}
