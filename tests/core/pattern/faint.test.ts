/** Spots too faint for one frame: frames are added up on the drifting star, and σ is true and falls as 1/√n. */
import { describe, expect, test } from 'vitest';
import type { Measurement } from '../../../core/measurement.ts';
import { LiveMeasurer } from '../../../core/pattern/live.ts';
import { FrameStack } from '../../../core/pattern/stack.ts';
import { truth } from '../../../core/simulator/scene.ts';
import { type DriftingStar, driftingStar, joined } from '../../bench/drifting.ts';
import { UNKNOWN } from './support.ts';

/** Some 10 px along and 5 px across in a hundred frames. */
const drift = (n: number): [number, number] => [0.1 * n - 15, 4 * Math.sin(n / 25)];

/** Readings of `frames` frames, each with the number of frames that had come. */
function watch(faint: DriftingStar, frames: number): { n: number; reading: Measurement }[] {
  const live = new LiveMeasurer();
  return Array.from({ length: frames }, (_, n) => {
    const reading = live.measure(faint.frame(...drift(n)), UNKNOWN);
    return reading.status === 'measured' ? [{ n: n + 1, reading }] : [];
  }).flat();
}

describe.each([1, 2])('spots of a signal-to-noise of %d in each frame', (snr) => {
  const FRAMES = 256;
  const runs = [11, 12, 13].map((seed) => {
    const faint = driftingStar(snr, seed);
    return { faint, seen: watch(faint, FRAMES) };
  });

  test('σ falls as 1/√n, down to near the bound of all frames together', () => {
    for (const { faint, seen } of runs) {
      const upTo = (n: number) => joined(seen.filter((each) => each.n <= n).map(({ reading }) => reading)).sigmaPx;
      // A batch that is not full yet counts for nothing, hence not exactly 2.
      expect(upTo(FRAMES / 4) / upTo(FRAMES)).toBeGreaterThan(1.6);
      expect(upTo(FRAMES / 4) / upTo(FRAMES)).toBeLessThan(2.5);
      expect((upTo(FRAMES) * Math.sqrt(FRAMES)) / faint.boundPx).toBeLessThan(1.7);
    }
  });

  test('readings agree with the truth within their σ, each and all together', () => {
    const errors = runs.flatMap(({ faint, seen }) =>
      seen.map(({ reading }) => (reading.offsetPx - truth(faint.scene).offsetPx) / reading.offsetSigmaPx),
    );
    const spread = Math.sqrt(errors.reduce((sum, z) => sum + z * z, 0) / errors.length);
    expect(errors.length).toBeGreaterThan(20);
    expect(spread).toBeGreaterThan(0.6);
    expect(spread).toBeLessThan(1.35);
    for (const { faint, seen } of runs) {
      const all = joined(seen.map(({ reading }) => reading));
      expect(Math.abs(all.offsetPx - truth(faint.scene).offsetPx)).toBeLessThan(3 * all.sigmaPx);
    }
  });

  test('the star is given where it stands in the newest frame', () => {
    for (const { seen } of runs)
      for (const { n, reading } of seen) {
        const [x, y] = drift(n - 1);
        expect(Math.hypot(reading.star.xPx - 100 - x, reading.star.yPx - 100 - y)).toBeLessThan(1.5);
      }
  });
});

test('while frames are gathered it is said how many are wanted', () => {
  const live = new LiveMeasurer();
  const faint = driftingStar(1, 5);
  const gathered = Array.from({ length: 3 }, (_, n) => live.measure(faint.frame(...drift(n)), UNKNOWN));
  for (const reading of gathered) expect(reading).toMatchObject({ status: 'no-pattern', gathering: {} });
  const [, second] = gathered.map((reading) => (reading.status === 'no-pattern' ? reading.gathering! : null));
  expect(second).toEqual({ frames: 1, ofFrames: 2 });
});

describe('the stack', () => {
  const faint = driftingStar(30, 3);
  const place = { xPx: 100, yPx: 100 };

  test('keeps the star in place, and the light as it is', () => {
    const stack = new FrameStack();
    for (let n = 0; n < 16; n++) expect(stack.add(faint.frame(n, -n), place)).toBe(true);
    expect(stack.drift).toEqual({ xPx: 15, yPx: -15 });
    const mean = stack.mean();
    const row = (y: number) => Array.from(mean.data.subarray(3 * 200 * y, 3 * 200 * (y + 1)));
    const brightest = (y: number) => Math.max(...row(y));
    const rows = Array.from({ length: 200 }, (_, y) => brightest(y));
    expect(rows.indexOf(Math.max(...rows))).toBe(100);
    // Sky and pedestal as the scene has them.
    const { skyE, fullWellE, pedestal } = faint.scene;
    const corner = row(10).slice(60, 120);
    const sky = corner.reduce((a, b) => a + b) / corner.length / 65535;
    expect(sky / (skyE / fullWellE + pedestal)).toBeGreaterThan(0.97);
    expect(sky / (skyE / fullWellE + pedestal)).toBeLessThan(1.03);
  });

  test('begins anew when the star jumps, or the frame has another size', () => {
    const stack = new FrameStack();
    stack.add(faint.frame(0, 0), place);
    expect(stack.add(faint.frame(25, 0), place)).toBe(false);
    expect(stack.frames).toBe(0);
    stack.add(faint.frame(0, 0), place);
    const other = { ...faint.frame(0, 0), heightPx: 100 };
    expect(stack.add(other, place)).toBe(false);
    expect(() => stack.mean()).toThrow(RangeError);
  });
});
