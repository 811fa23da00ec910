/**
 * The Cramér–Rao bound of the offset: no unbiased measurement of a frame can have a smaller σ.
 *
 * Unknowns: offset, star position (2), rotation, outer angle, scale, light of each zone (3),
 * background of each channel. Assumptions: layout and spot shapes known, and the offset moves each
 * zone's spots rigidly (the shapes' own change with defocus is not used); independent noise in every
 * pixel and channel with the variance given; saturated pixels tell nothing; the zeroth order counts. Fisher information of independent Gaussian noise: Kay, Fundamentals of Statistical Signal
 * Processing I, §3.9 (the variance's own dependence on the unknowns is left out).
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
    for (let y = 1; y < heightPx - 1; y++)
      for (let x = 1; x < widthPx - 1; x++) {
        const i = y * widthPx + x;
        const weight = 1 / variance(image[i], c);
        if (weight === 0) continue;
        const slope = (plane: Float32Array) => [
          (plane[i + 1] - plane[i - 1]) / 2,
          (plane[i + widthPx] - plane[i - widthPx]) / 2,
        ];
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
