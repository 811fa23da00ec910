import { invert, solve } from '../pattern/solve.ts';
import { median } from '../track/fit.ts';

export interface Regression {
  coefficients: Float64Array;
  /** Of the coefficients. */
  covariance: Float64Array[];
}

/** Biweight's reach, in standard deviations (Beaton & Tukey 1974: 95 % efficient for normal scatter). */
const WILD = 4.685;
const ROUNDS = 12;

/**
 * Least squares with Tukey's biweight, so that blends and satellites do not count. Scatter is learned from the residuals.
 * @param rows terms of each observation
 * @param scales relative standard deviation of each observation
 * @returns null with too few observations, or such that cannot tell the terms apart
 */
export function regress(rows: number[][], values: number[], scales: number[]): Regression | null {
  const size = rows[0]?.length ?? 0;
  if (rows.length < 2 * size + 4) return null;
  let weights = scales.map((scale) => 1 / scale ** 2);
  let coefficients: Float64Array | null = null;
  let normal: Float64Array[] = [];
  let scatter = 1;
  for (let round = 0; round < ROUNDS; round++) {
    normal = Array.from({ length: size }, () => new Float64Array(size));
    const right = new Float64Array(size);
    rows.forEach((terms, i) => {
      for (let a = 0; a < size; a++) {
        right[a] += weights[i] * terms[a] * values[i];
        for (let b = 0; b < size; b++) normal[a][b] += weights[i] * terms[a] * terms[b];
      }
    });
    coefficients = solve(normal, right);
    if (!coefficients) return null;
    const residuals = values.map((value, i) => (value - dot(rows[i], coefficients!)) / scales[i]);
    scatter = Math.max(1e-12, 1.4826 * median(residuals.map(Math.abs)));
    weights = residuals.map((residual, i) => {
      const u = residual / (WILD * scatter);
      return Math.abs(u) < 1 ? (1 - u * u) ** 2 / scales[i] ** 2 : 0;
    });
  }
  const inverse = invert(normal);
  if (!coefficients || !inverse) return null;
  // 1.1: what the weights take off the information.
  return { coefficients, covariance: inverse.map((row) => row.map((value) => 1.1 * value * scatter ** 2)) };
}

export function dot(a: ArrayLike<number>, b: ArrayLike<number>): number {
  let sum = 0;
  for (let i = 0; i < a.length; i++) sum += a[i] * b[i];
  return sum;
}

/** Standard deviation of a sum of coefficients, each times its factor. */
export function sigmaOf({ covariance }: Regression, factors: number[]): number {
  return Math.sqrt(
    Math.max(
      0,
      dot(
        factors,
        covariance.map((row) => dot(row, factors)),
      ),
    ),
  );
}

/** How far two coefficients together stand from 0: the chi-square of two degrees of freedom. */
export function chiSquareOfPair({ coefficients, covariance }: Regression, a: number, b: number): number {
  const [p, q] = [coefficients[a], coefficients[b]];
  const [pp, qq, pq] = [covariance[a][a], covariance[b][b], covariance[a][b]];
  return (p * p * qq - 2 * p * q * pq + q * q * pp) / (pp * qq - pq * pq);
}
