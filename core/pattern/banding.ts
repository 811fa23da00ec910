/**
 * Banding: rows that a sensor's read-out leaves brighter or darker as a whole. A row's offset is the same in the sky
 * beside the pattern as in the spots, so that it can be learned there and taken off here.
 */

/** Columns in which the sky is looked at, by ranges [from, to). */
type Columns = readonly (readonly [number, number])[];

/** One row's sky: mean of what is not far from `level`, less that, and what is needed for its error. */
interface RowMean {
  mean: number;
  variance: number;
  count: number;
}

/** Pixels of a row that show whether there is banding at all, and that measure it. */
const FIRST_PIXELS = 48;
const PIXELS = 400;
const FEWEST = 32;
/** Rows looked at for a start. */
const FIRST_ROWS = 80;
/** Rows differ from their neighbours so many times as much as their pixels' noise explains; JPEG's blocks make it some 2. */
const SHOWS = 5;
/** What changes over more rows than these is no banding but the sky's own light. */
const SMOOTH_ROWS = 8;
/** Beyond so many σ of the sky a pixel shows something else. */
const CLIP_SIGMAS = 4;

/**
 * Offsets of the rows `from` to `to` (not included) against those around them, 0 where a row cannot be told.
 * @param valueAt linear light of a pixel, NaN where it is saturated
 * @param columns where the first look is
 * @param allColumns asked for where that shows banding
 * @param level of the sky, and its noise in one pixel
 * @returns null where there is no banding to be seen
 */
export function rowOffsets(
  valueAt: (x: number, y: number) => number,
  columns: Columns,
  allColumns: () => Columns,
  [from, to]: readonly [number, number],
  level: number,
  noise: number,
): Float64Array | null {
  const meanOf = (where: Columns, y: number, pixels: number) =>
    rowMean(valueAt, where, y, pixels, level, CLIP_SIGMAS * noise);
  const middle = Math.max(from, ((from + to) >> 1) - FIRST_ROWS / 2);
  const first = Array.from({ length: Math.min(FIRST_ROWS, to - middle) }, (_, i) =>
    meanOf(columns, middle + i, FIRST_PIXELS),
  );
  if (!showsBanding(first)) return null;
  const everywhere = allColumns();
  const rows = Array.from({ length: to - from }, (_, i) => meanOf(everywhere, from + i, PIXELS));
  return Float64Array.from(rows, ({ mean, count }, i) => {
    if (count < FEWEST) return 0;
    let [sum, around] = [0, 0];
    for (const row of rows.slice(Math.max(0, i - SMOOTH_ROWS), i + SMOOTH_ROWS + 1)) {
      if (row.count < FEWEST) continue;
      sum += row.mean;
      around++;
    }
    return mean - sum / around;
  });
}

/** Whether second differences of neighbouring rows' means are larger than the pixels' noise makes them. */
function showsBanding(rows: RowMean[]): boolean {
  let [seen, explained] = [0, 0];
  for (let i = 1; i + 1 < rows.length; i++) {
    const [above, row, below] = [rows[i - 1], rows[i], rows[i + 1]];
    if (Math.min(above.count, row.count, below.count) < FEWEST) continue;
    seen += (row.mean - (above.mean + below.mean) / 2) ** 2;
    explained += row.variance / row.count + (above.variance / above.count + below.variance / below.count) / 4;
  }
  return seen > SHOWS * explained;
}

function rowMean(
  valueAt: (x: number, y: number) => number,
  columns: Columns,
  y: number,
  pixels: number,
  level: number,
  limit: number,
): RowMean {
  const width = columns.reduce((sum, [from, to]) => sum + to - from, 0);
  const step = Math.max(1, Math.floor(width / pixels));
  let sum = 0;
  let squares = 0;
  let count = 0;
  for (const [from, to] of columns)
    for (let x = from; x < to; x += step) {
      const deviation = valueAt(x, y) - level;
      if (!(Math.abs(deviation) < limit)) continue;
      sum += deviation;
      squares += deviation * deviation;
      count++;
    }
  const mean = sum / Math.max(1, count);
  return { mean, variance: Math.max(0, squares / Math.max(1, count) - mean * mean), count };
}
