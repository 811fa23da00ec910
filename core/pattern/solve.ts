/**
 * Solves the symmetric positive-definite system `matrix · x = right` by Cholesky's method.
 * @returns null when the matrix is not positive definite
 */
export function solve(matrix: Float64Array[], right: Float64Array): Float64Array | null {
  const lower = cholesky(matrix);
  return lower && substitute(lower, right);
}

/** Inverse of a symmetric positive-definite matrix, or null. */
export function invert(matrix: Float64Array[]): Float64Array[] | null {
  const lower = cholesky(matrix);
  if (!lower) return null;
  return matrix.map((_, column) => {
    const unit = new Float64Array(matrix.length);
    unit[column] = 1;
    return substitute(lower, unit);
  });
}

/** A matrix's rows, all in one piece of memory: to get some for each takes longer than to fill it. */
export function rowsOf(all: Float64Array, columns: number): Float64Array[] {
  return Array.from({ length: all.length / columns }, (_, row) => all.subarray(row * columns, (row + 1) * columns));
}

export function copyOf(matrix: Float64Array[]): Float64Array[] {
  const columns = matrix[0].length;
  const all = new Float64Array(matrix.length * columns);
  for (let row = 0; row < matrix.length; row++) all.set(matrix[row], row * columns);
  return rowsOf(all, columns);
}

/** Lower triangle L of `matrix` = L · Lᵀ, or null when it is not positive definite. */
export function cholesky(matrix: Float64Array[]): Float64Array[] | null {
  const size = matrix.length;
  const lower = rowsOf(new Float64Array(size * size), size);
  for (let row = 0; row < size; row++)
    for (let column = 0; column <= row; column++) {
      let sum = matrix[row][column];
      for (let k = 0; k < column; k++) sum -= lower[row][k] * lower[column][k];
      if (row !== column) lower[row][column] = sum / lower[column][column];
      else if (sum > 1e-12 * matrix[row][row]) lower[row][row] = Math.sqrt(sum);
      else return null;
    }
  return lower;
}

/** Solves L · Lᵀ · x = right. */
export function substitute(lower: Float64Array[], right: Float64Array): Float64Array {
  const size = right.length;
  const x = Float64Array.from(right);
  for (let row = 0; row < size; row++) {
    for (let k = 0; k < row; k++) x[row] -= lower[row][k] * x[k];
    x[row] /= lower[row][row];
  }
  for (let row = size - 1; row >= 0; row--) {
    for (let k = row + 1; k < size; k++) x[row] -= lower[k][row] * x[k];
    x[row] /= lower[row][row];
  }
  return x;
}

export function dot(a: Float64Array, b: Float64Array): number {
  let sum = 0;
  for (let k = 0; k < a.length; k++) sum += a[k] * b[k];
  return sum;
}
