/** The Gaussian that stars are looked for with. */

/** The filtered part, row-major; the sky around it is taken for 0. */
export function matchedFilter(data: Float32Array, widthPx: number, fwhmPx: number): Float32Array {
  const weights = halfKernel(fwhmPx);
  return alongColumns(alongRows(data, widthPx, weights), widthPx, weights);
}

/** What the filter leaves of white noise of 1: the root of the sum of its squared weights in two dimensions. */
export function whiteNoise(fwhmPx: number): number {
  const [middle, ...sides] = halfKernel(fwhmPx);
  return sides.reduce((squares, weight) => squares + 2 * weight ** 2, middle ** 2);
}

function alongRows(data: Float32Array, widthPx: number, weights: Float64Array): Float32Array {
  const half = weights.length - 1;
  const row = new Float64Array(widthPx + 2 * half);
  const filtered = new Float32Array(data.length);
  for (let start = 0; start < data.length; start += widthPx) {
    row.set(data.subarray(start, start + widthPx), half);
    for (let x = 0, at = half; x < widthPx; x++, at++) {
      let sum = weights[0] * row[at];
      for (let k = 1; k <= half; k++) sum += weights[k] * (row[at - k] + row[at + k]);
      filtered[start + x] = sum;
    }
  }
  return filtered;
}

function alongColumns(data: Float32Array, widthPx: number, weights: Float64Array): Float32Array {
  const sums = new Float64Array(widthPx);
  const filtered = new Float32Array(data.length);
  for (let start = 0; start < data.length; start += widthPx) {
    sums.fill(0);
    for (let k = 1 - weights.length; k < weights.length; k++) {
      const at = start + k * widthPx;
      if (at < 0 || at >= data.length) continue;
      const weight = weights[Math.abs(k)];
      for (let x = 0; x < widthPx; x++) sums[x] += weight * data[at + x];
    }
    filtered.set(sums, start);
  }
  return filtered;
}

/** Weights from the middle outwards, to 3.5 standard deviations; all of the kernel together makes 1. */
function halfKernel(fwhmPx: number): Float64Array {
  const sigma = fwhmPx / 2.354820045;
  const weights = Float64Array.from({ length: Math.ceil(3.5 * sigma) + 1 }, (_, i) =>
    Math.exp(-0.5 * (i / sigma) ** 2),
  );
  const all = weights.reduce((sum, weight) => sum + 2 * weight, -weights[0]);
  return weights.map((weight) => weight / all);
}
