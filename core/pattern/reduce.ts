/** Pixels of the larger row that one of the smaller covers: the first one, and which part of the mean each makes up. */
interface Cover {
  from: number;
  shares: number[];
}

/** What each of `count` pixels covers of `of` pixels; none is enlarged. */
function covers(of: number, count: number): Cover[] {
  const step = of / count;
  return Array.from({ length: count }, (_, i) => {
    const [start, end] = [i * step, Math.min(of, (i + 1) * step)];
    // What is covered by less than this is rounding.
    const from = Math.floor(start + 1e-9);
    const to = Math.max(from + 1, Math.ceil(end - 1e-9));
    const shares = Array.from(
      { length: to - from },
      (_, k) => (Math.min(end, from + k + 1) - Math.max(start, from + k)) / (end - start),
    );
    return { from, shares };
  });
}

/**
 * Reduces a picture to `toWidthPx` × (`to.length / toWidthPx`) pixels: each is the mean of the area it covers, pixels on
 * that area's border counted by the part of them within. Both row-major; each side at most as long as before.
 */
export function reduce(from: Float32Array, fromWidthPx: number, to: Float32Array, toWidthPx: number): void {
  const [fromHeightPx, toHeightPx] = [from.length / fromWidthPx, to.length / toWidthPx];
  if (fromWidthPx === 2 * toWidthPx && fromHeightPx === 2 * toHeightPx) {
    halve(from, to, toWidthPx);
    return;
  }
  const columns = covers(fromWidthPx, toWidthPx);
  for (const [y, row] of covers(fromHeightPx, toHeightPx).entries())
    for (let x = 0; x < toWidthPx; x++) {
      const column = columns[x];
      let sum = 0;
      for (let j = 0, at = row.from * fromWidthPx + column.from; j < row.shares.length; j++, at += fromWidthPx)
        for (let i = 0; i < column.shares.length; i++) sum += row.shares[j] * column.shares[i] * from[at + i];
      to[y * toWidthPx + x] = sum;
    }
}

/** As `reduce`, to exactly half of both sides, which nearly all frames have: several times quicker. */
function halve(from: Float32Array, to: Float32Array, toWidthPx: number): void {
  const fromWidthPx = 2 * toWidthPx;
  for (let i = 0, upper = 0; i < to.length; upper += fromWidthPx)
    for (const end = i + toWidthPx; i < end; i++, upper += 2) {
      const lower = upper + fromWidthPx;
      to[i] = 0.25 * (from[upper] + from[upper + 1] + from[lower] + from[lower + 1]);
    }
}
