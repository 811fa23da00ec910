/** Rows brighter or darker as a whole: found where they are, and nowhere else. */
import { describe, expect, test } from 'vitest';
import { rowOffsets } from '../../../core/pattern/banding.ts';
import { seededRandom } from '../../../core/simulator/random.ts';
import { star } from '../../../core/simulator/scene.ts';
import { rms } from '../../bench/measurement.ts';
import { errorOverBound, scene } from './support.ts';

const WIDTH = 400;
const ROWS: [number, number] = [0, 120];
const BESIDE = [
  [0, 150],
  [250, WIDTH],
] as const;

/** Sky of level 10 with noise of 1. */
function sky(extra: (x: number, y: number) => number): (x: number, y: number) => number {
  const random = seededRandom(7);
  const values = Float64Array.from({ length: WIDTH * ROWS[1] }, () => 10 + random.gauss());
  return (x, y) => values[y * WIDTH + x] + extra(x, y);
}

describe('offsets of rows', () => {
  test('are those that were put in, to the noise of a row’s mean', () => {
    const random = seededRandom(3);
    const put = Array.from({ length: ROWS[1] }, () => 0.8 * random.gauss());
    const found = rowOffsets(
      sky((_, y) => put[y]),
      BESIDE,
      () => BESIDE,
      ROWS,
      10,
      1,
    )!;
    // 300 pixels a row leave 0.06, the 17 rows about it 0.2 of the offsets' own scatter.
    expect(rms(put.map((offset, y) => found[y] - offset))).toBeLessThan(0.27);
    const around = (y: number) =>
      put.slice(Math.max(0, y - 8), y + 9).reduce((sum, offset, _, all) => sum + offset / all.length, 0);
    expect(rms(put.map((offset, y) => found[y] - (offset - around(y))))).toBeLessThan(0.08);
  });

  test('are not seen in mere noise, in a gradient, nor for a light beside', () => {
    expect(
      rowOffsets(
        sky(() => 0),
        BESIDE,
        () => BESIDE,
        ROWS,
        10,
        1,
      ),
    ).toBeNull();
    expect(
      rowOffsets(
        sky((x, y) => 0.01 * x + 0.02 * (y - 60)),
        BESIDE,
        () => BESIDE,
        ROWS,
        10,
        3,
      ),
    ).toBeNull();
    const lamp = (x: number, y: number) => 500 * Math.exp(-((x - 90) ** 2 + (y - 60) ** 2) / 50);
    expect(rowOffsets(sky(lamp), BESIDE, () => BESIDE, ROWS, 10, 1)).toBeNull();
  });

  test('stay 0 where a row shows too little of the sky', () => {
    const narrow = [[0, 20]] as const;
    expect(
      rowOffsets(
        sky((_, y) => 3 * (y % 2)),
        narrow,
        () => narrow,
        ROWS,
        10,
        3,
      ),
    ).toBeNull();
    const hidden = sky((_, y) => (y === 60 ? 1000 : 3 * (y % 2)));
    expect(rowOffsets(hidden, BESIDE, () => BESIDE, ROWS, 11.5, 3)![60]).toBe(0);
  });
});

test('a banded frame is measured nearer the Cramér–Rao bound of one without banding', () => {
  const drawnScene = scene({ dzUm: 4, maskRotationDeg: 30, bandingE: 8, star: star(150.3, 149.6, 100_000) });
  // With the rows as they are it is 3.1 times the bound, and the 120 columns beside the pattern do not tell them exactly.
  expect(errorOverBound(drawnScene)).toBeLessThan(2.2);
});
