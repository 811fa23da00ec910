import { describe, expect, it } from 'vitest';
import { type Circumstances, RefocusWatch, THERMAL_SHARE, thermalShift } from '../../../core/guide/watch.ts';
import type { Measurement } from '../../../core/measurement.ts';
import { depthOfFocusUm } from '../../../core/optics/formulas.ts';
import { seededRandom } from '../../../core/simulator/random.ts';
import { refocusText } from '../../../core/strings.ts';
import { Tracker } from '../../../core/track/track.ts';

const START_MS = Date.UTC(2031, 9, 14, 21);
const HOUR_MS = 3_600_000;
const TOLERANCE_PX = 0.5;

const still = { state: 'still', offsetPx: 0.1, offsetSigmaPx: 0.02, spotDistancePx: 60 } as const;
const at = (change: Partial<Circumstances> = {}): Circumstances => ({
  timeMs: START_MS,
  focalMm: 24,
  temperatureC: 12,
  thermal: thermalShift(24, null, null),
  toleranceUm: depthOfFocusUm(2.8),
  magnification: 5,
  pixelUm: 2.3,
  track: still,
  tolerancePx: TOLERANCE_PX,
  ...change,
});
const watching = (then: Circumstances = at()) => {
  const watch = new RefocusWatch();
  watch.confirm(then);
  return watch;
};

describe('zoom', () => {
  it.each<[string, Partial<Circumstances>, object | null]>([
    ['another focal length', { focalMm: 50 }, { kind: 'zoom', fromMm: 24, toMm: 50, scale: null }],
    ['the same as cameras round it', { focalMm: 24.3 }, null],
    ['a focal length no longer known', { focalMm: null }, null],
    ['a larger pattern', { track: { ...still, spotDistancePx: 66 } }, { kind: 'zoom', toMm: null, scale: 1.1 }],
    ['its usual scatter', { track: { ...still, spotDistancePx: 60.6 } }, null],
    ['live view magnified', { magnification: 10, pixelUm: 1.15, track: { ...still, spotDistancePx: 120 } }, null],
    ['a pattern still being looked at', { track: { ...still, state: 'gathering', spotDistancePx: 66 } }, null],
    ['no picture', { track: null }, null],
  ])('%s', (_what, change, reason) => {
    const found = watching().look(at(change));
    if (reason) expect(found).toMatchObject(reason);
    else expect(found).toBe(null);
  });
});

describe('temperature', () => {
  // Depth of focus 2 λ N² (Born & Wolf §8.8) at f/2.8: 8.624 µm; by default 24 mm shift 0.96 µm per °C.
  it.each([
    [12 - 8.9, false],
    [12 - 9.1, true],
    [12 + 9.1, true],
  ])('to %d °C', (temperatureC, asks) => {
    const reason = watching().look(at({ temperatureC }));
    expect(reason?.kind ?? null).toBe(asks ? 'temperature' : null);
    if (asks) expect(reason).toMatchObject({ changeC: temperatureC - 12, learned: false });
  });

  it('what the notebook has learned comes before the default, its uncertainty counted', () => {
    expect(thermalShift(24, null, null)).toEqual({ umPerC: 24_000 * THERMAL_SHARE, learned: false });
    expect(thermalShift(24, { value: -0.03, sigma: 0.04 }, 30)).toEqual({ umPerC: 1.5, learned: true });
    expect(thermalShift(null, null, 30)).toBe(null);
    const thermal = { umPerC: 3, learned: true };
    expect(watching().look(at({ thermal, temperatureC: 9 }))).toMatchObject({ kind: 'temperature', shiftUm: 9 });
  });

  it('nothing is claimed where temperature or lens is not known', () => {
    expect(watching(at({ temperatureC: null })).look(at({ temperatureC: -20 }))).toBe(null);
    expect(watching().look(at({ temperatureC: -20, toleranceUm: null }))).toBe(null);
  });
});

it('time', () => {
  expect(watching().look(at({ timeMs: START_MS + 0.99 * HOUR_MS }))).toBe(null);
  expect(watching().look(at({ timeMs: START_MS + 1.01 * HOUR_MS }))).toEqual({ kind: 'time', minutes: 61 });
});

describe('the offset, through the tracker', () => {
  /** Frames at 15 a second, the offset as told by `offsetPx` (seconds since focus was confirmed). */
  function run(offsetPx: (seconds: number) => number | null, seconds: number) {
    const random = seededRandom(9);
    const tracker = new Tracker();
    const watch = new RefocusWatch();
    for (let frame = -60; frame < 15 * seconds; frame++) {
      const timeMs = START_MS + (frame * 1000) / 15;
      const truth = offsetPx(Math.max(0, frame / 15));
      const track = tracker.push(
        timeMs,
        truth === null
          ? { status: 'no-pattern', reason: 'no-spots', star: null }
          : measured(truth + 0.1 * random.gauss(), random.gauss()),
      );
      if (frame === 0) watch.confirm(at({ timeMs, track }));
      const reason = watch.look(at({ timeMs, track }));
      if (reason) return { reason, seconds: frame / 15, watch };
    }
    return { reason: null, seconds, watch };
  }
  const measured = (offsetPx: number, jitter: number) =>
    ({
      status: 'measured',
      star: { xPx: 500 + jitter, yPx: 300, saturated: false },
      offsetPx,
      offsetSigmaPx: 0.1,
      middleAngleDeg: 10,
      outerAngleDeg: 20,
      spotDistancePx: 60,
    }) as Measurement;

  it('left alone: nothing', () => {
    expect(run(() => 0.1, 20).reason).toBe(null);
  });

  it('a knock is told from a jump', () => {
    const { reason, seconds } = run((s) => (s < 5 ? 0 : 2), 20);
    expect(reason).toEqual({ kind: 'knock' });
    expect(seconds).toBeLessThan(8);
  });

  it('a slow creep is drift', () => {
    expect(run((s) => 0.03 * s, 60).reason).toEqual({ kind: 'drift' });
  });

  it('a hand that turns the ring raises nothing, and ends the watch', () => {
    const { reason, watch } = run((s) => Math.min(8, Math.max(0, 1.5 * (s - 5))), 20);
    expect(reason).toBe(null);
    expect(watch.since).toBe(null);
  });

  it('the mask taken off and put back raises nothing while focus holds', () => {
    const { reason, watch } = run((s) => (s > 5 && s < 15 ? null : 0), 30);
    expect(reason).toBe(null);
    expect(watch.since).not.toBe(null);
  });
});

describe('one prompt', () => {
  it('stands until focus is confirmed again', () => {
    const watch = watching();
    const reason = watch.look(at({ focalMm: 50 }));
    expect(watch.look(at({ focalMm: 50, timeMs: START_MS + 2 * HOUR_MS }))).toBe(reason);
    watch.confirm(at({ focalMm: 50 }));
    expect(watch.look(at({ focalMm: 50 }))).toBe(null);
  });

  it('set aside it does not come back for the same, but for more', () => {
    const watch = watching();
    for (const [change, kind] of [
      [{ focalMm: 50 }, 'zoom'],
      [{ focalMm: 50, timeMs: START_MS + 1.1 * HOUR_MS }, 'time'],
      [{ focalMm: 50, timeMs: START_MS + 1.1 * HOUR_MS, temperatureC: 0 }, 'temperature'],
    ] as [Partial<Circumstances>, string][]) {
      expect(watch.look(at(change))).toMatchObject({ kind });
      watch.dismiss(at(change));
      expect(watch.look(at(change))).toBe(null);
    }
    expect(watch.look(at({ focalMm: 24, timeMs: START_MS + 1.1 * HOUR_MS, temperatureC: 0 }))?.kind).toBe('zoom');
  });

  it('says nothing before focus was confirmed, nor after the watch ended', () => {
    expect(new RefocusWatch().look(at({ focalMm: 50 }))).toBe(null);
    const watch = watching();
    watch.end();
    expect(watch.look(at({ focalMm: 50 }))).toBe(null);
  });

  it('gives its reason in one line', () => {
    const reasons = [{ focalMm: 50 }, { temperatureC: -3 }, { timeMs: START_MS + 2 * HOUR_MS }].map(
      (change) => watching().look(at(change))!,
    );
    expect(reasons.map(refocusText)).toEqual([
      'Zoomed from 24 to 50 mm since focus was found.',
      '15.0 °C colder than at focus: as lenses commonly do focus shifts 14 µm, more than the depth of focus of 9 µm.',
      'Focus was found 120 minutes ago.',
    ]);
  });
});
