/** Which way round the outer gratings sit, from two places of the ring. Truth: the simulator's pupil. */
import { describe, expect, test } from 'vitest';
import { calibrate } from '../../../core/guide/calibrate.ts';
import { handednessFrom } from '../../../core/learn/handedness.ts';
import type { Measurement } from '../../../core/measurement.ts';
import { DEFAULT_MASK, type Mask, type ZoneLayout } from '../../../core/optics/mask.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { type Track, Tracker } from '../../../core/track/track.ts';
import { frameOf, measured, scene, UNKNOWN } from '../pattern/support.ts';

function at(mask: Mask, dzUm: number, maskRotationDeg: number, seed: number) {
  const sits = { ...mask, orientation: mask.orientation ?? 1, pitchUm: 175, outerAngleDeg: 20 };
  return measured(measure(frameOf(scene({ mask: sits, dzUm, maskRotationDeg, seed })), { ...UNKNOWN, mask: null }));
}

const cases = (['half', 'strips-n'] as ZoneLayout[]).flatMap((layout) =>
  ([1, -1] as const).flatMap((handedness) =>
    ([1, -1] as const).map((orientation) => ({ layout, handedness, orientation })),
  ),
);

describe('told from a turn of the ring', () => {
  test.each(cases)('$layout, handedness $handedness, orientation $orientation', (sits) => {
    const mask: Mask = { ...DEFAULT_MASK, ...sits };
    // Near ±90° the middle line's direction, and with it all signs, may differ between the two.
    const [before, after] = [at(mask, -9, 89.95, 1), at(mask, 14, 90.05, 2)];
    expect(handednessFrom(before, after, { ...mask, handedness: null, orientation: null })).toBe(sits.handedness);
    expect(handednessFrom(after, before, { ...mask, handedness: null, orientation: null })).toBe(sits.handedness);
  });

  test('not claimed for strips along u, where it makes no difference, nor from one place, nor without spots', () => {
    const mask: Mask = { ...DEFAULT_MASK, handedness: 1 };
    const here = at(mask, 9, 20, 3);
    expect(handednessFrom(here, at(mask, -9, 20, 4), { ...mask, layout: 'strips-u' })).toBe(null);
    expect(handednessFrom(here, here, mask)).toBe(null);
    expect(handednessFrom({ ...here, spots: [] }, at(mask, -9, 20, 5), mask)).toBe(null);
  });
});

test('the calibration turn learns it with the rest', () => {
  const mask: Mask = { ...DEFAULT_MASK, handedness: -1 };
  const rest = (reading: Measurement): Track => {
    const tracker = new Tracker();
    for (let i = 0; i < 100; i++) {
      const star = { ...reading.star, xPx: reading.star.xPx + 1e-3 * i };
      tracker.push(33 * i, { ...reading, star, offsetPx: reading.offsetPx + 1e-3 * (i % 2) });
    }
    return tracker.track;
  };
  const optics = { ...UNKNOWN, mask: { ...mask, handedness: null } };
  const [start, end] = [rest(at(mask, -9, 20, 1)), rest(at(mask, 14, 20, 2))];
  const turn = { turned: 'clockwise', marks: null, towards: 'near' } as const;
  expect(calibrate(start, end, turn, optics)).toMatchObject({ calibration: { handedness: -1, orientation: 1 } });
  // What the user said of the mask is not overruled.
  const stated = { ...UNKNOWN, mask: { ...mask, handedness: 1 as const } };
  expect(calibrate(start, end, turn, stated)).toMatchObject({ calibration: { handedness: 1 } });
});
