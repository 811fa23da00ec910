import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { longRunVariance } from '../../../core/track/fit.ts';
import { LOST_AFTER_MS, type Track, Tracker } from '../../../core/track/track.ts';
import { measurement, type Noise, noises, noPattern, normalised, uniform } from './rehearsal.ts';

const FPS = 30;
const SIGMA = 0.1;

/** Plays a world of offset over time to a new tracker; `look` sees every track. */
function play(
  seed: number,
  noise: Noise,
  offsetAt: (timeS: number) => number,
  endS: number,
  look: (track: Track, truth: number, timeS: number) => void = () => {},
): Tracker {
  const random = uniform(seed);
  const next = noise(random);
  const tracker = new Tracker();
  for (let i = 0; i <= endS * FPS; i++) {
    const timeS = i / FPS;
    const truth = offsetAt(timeS);
    const star = { xPx: random(), yPx: 0, saturated: false };
    const reading = measurement({ star, offsetPx: truth + SIGMA * next(), offsetSigmaPx: SIGMA });
    look(tracker.push(timeS * 1000, reading), truth, timeS);
  }
  return tracker;
}

/** RMS of (estimate − truth)/σ at the given times over many seeds. */
function spread(noise: Noise, offsetAt: (timeS: number) => number, timesS: number[], seeds = 100): number {
  let [sum, count] = [0, 0];
  for (let seed = 0; seed < seeds; seed++) {
    play(seed, noise, offsetAt, Math.max(...timesS), (track, truth, timeS) => {
      if (!timesS.some((t) => Math.abs(t - timeS) < 0.5 / FPS)) return;
      sum += ((track.offsetPx! - truth) / track.offsetSigmaPx!) ** 2;
      count++;
    });
  }
  expect(count).toBe(seeds * timesS.length);
  return Math.sqrt(sum / count);
}

describe('uncertainty', () => {
  // 0.85–1.15 is the project's own figure for a true σ; slow seeing, of which 10 s hold few independent
  // samples, is allowed more.
  it.each([
    ['white', 0.85, 1.15],
    ['heavy', 0.85, 1.15],
    ['understated', 0.85, 1.15],
    ['wild', 0.85, 1.15],
    ['seeing', 0.85, 1.2],
    ['slowSeeing', 0.85, 1.35],
  ] as const)('is true at rest with %s noise', (name, low, high) => {
    const found = spread(noises[name], () => 3, [6, 10]);
    expect(found).toBeGreaterThan(low);
    expect(found).toBeLessThan(high);
  });

  it('falls as 1/√n at rest with white noise (standard error of a mean)', () => {
    for (let seed = 0; seed < 5; seed++) {
      const { offsetSigmaPx, frames } = play(seed, noises.white, () => 1, 20).track;
      expect(frames).toBe(20 * FPS + 1);
      // Twice that while the slope of a straight line is not ruled out.
      expect(offsetSigmaPx! / (SIGMA / Math.sqrt(frames))).toBeGreaterThan(0.85);
      expect(offsetSigmaPx! / (SIGMA / Math.sqrt(frames))).toBeLessThan(2.3);
    }
  });

  it('is true in an even turn', () => {
    const found = spread(noises.white, (t) => 20 - 2 * t, [3, 5, 8]);
    expect(found).toBeGreaterThan(0.8);
    expect(found).toBeLessThan(1.15);
  });

  it('is at most twice too small in an uneven turn', () => {
    const swing = (t: number) => (t < 4 ? 10 : t < 8 ? 5 + 5 * Math.cos((Math.PI * (t - 4)) / 4) : 0);
    expect(spread(noises.white, swing, [5, 5.5, 6, 7, 8, 8.5])).toBeLessThan(2);
  });

  it('opens when the ring turns and closes when it rests', () => {
    const sigmas = new Map<number, number>();
    play(
      3,
      noises.white,
      (t) => (t < 5 ? 0 : t < 7 ? 2 * (t - 5) : 4),
      12,
      (track, _, timeS) => {
        sigmas.set(Math.round(timeS * FPS), track.offsetSigmaPx!);
      },
    );
    const at = (timeS: number) => sigmas.get(Math.round(timeS * FPS))!;
    expect(at(5.5)).toBeGreaterThan(2 * at(4.9));
    expect(at(12)).toBeLessThan(at(7.3) / 2);
  });

  it('finds the long-run variance of a first-order autoregression (Box & Jenkins: (1 + ρ)/(1 − ρ) of its variance)', () => {
    for (const [name, truth] of [
      ['white', 1],
      ['seeing', 3],
      ['slowSeeing', 9],
    ] as const) {
      const next = noises[name](uniform(7));
      const found = Array.from({ length: 60 }, () => longRunVariance(Array.from({ length: 600 }, next), 0));
      const mean = found.reduce((a, b) => a + b) / found.length;
      expect(mean / truth).toBeGreaterThan(0.85);
      expect(mean / truth).toBeLessThan(1.15);
    }
  });
});

describe('rest and turn', () => {
  it('calls a resting ring still, whatever the noise', () => {
    for (const name of ['white', 'heavy', 'seeing', 'wild'] as const) {
      let [turning, count] = [0, 0];
      for (let seed = 0; seed < 10; seed++) {
        play(
          seed,
          noises[name],
          () => -2,
          10,
          (track, _, timeS) => {
            if (timeS < 2) return;
            count++;
            if (track.state === 'turning') turning++;
          },
        );
      }
      expect(turning / count, name).toBeLessThan(0.02);
    }
  });

  it('sees a turn within half a second and its end within a second and a half', () => {
    const counts = { rest: [0, 0], turn: [0, 0], after: [0, 0] };
    for (let seed = 0; seed < 40; seed++) {
      play(
        seed,
        noises.white,
        (t) => (t < 4 ? 8 : t < 6 ? 8 - 3 * (t - 4) : 2),
        9,
        ({ state, stillSinceMs }, _, timeS) => {
          const phase =
            timeS > 2 && timeS < 4 ? 'rest' : timeS > 4.5 && timeS < 6 ? 'turn' : timeS > 7.5 ? 'after' : null;
          if (!phase) return;
          counts[phase][0]++;
          if (state === (phase === 'turn' ? 'turning' : 'still')) counts[phase][1]++;
          if (phase === 'after' && stillSinceMs !== null) expect(stillSinceMs).toBeGreaterThan(5500);
        },
      );
    }
    expect(counts.rest[1] / counts.rest[0]).toBeGreaterThan(0.99);
    expect(counts.turn[1]).toBe(counts.turn[0]);
    expect(counts.after[1] / counts.after[0]).toBeGreaterThan(0.97);
  });

  it('gives the rate of a turn with its σ', () => {
    const z: number[] = [];
    for (let seed = 0; seed < 100; seed++) {
      const { ratePxPerS, rateSigmaPxPerS } = play(seed, noises.white, (t) => 1.5 * t, 4).track;
      z.push((ratePxPerS! - 1.5) / rateSigmaPxPerS!);
    }
    const rms = Math.sqrt(z.reduce((a, b) => a + b * b, 0) / z.length);
    expect(rms).toBeGreaterThan(0.8);
    expect(rms).toBeLessThan(1.2);
  });

  it('follows a creep without calling it a turn', () => {
    const { state, offsetPx, offsetSigmaPx } = play(1, noises.white, (t) => 0.02 * t, 20).track;
    expect(state).toBe('still');
    expect(Math.abs(offsetPx! - 0.4)).toBeLessThan(4 * offsetSigmaPx!);
  });

  it('does not take a frozen live view for a resting ring', () => {
    const tracker = new Tracker();
    const states = Array.from({ length: 150 }, (_, i) => tracker.push(i * 33, measurement()).state);
    expect(states).not.toContain('still');
    expect(states.at(-1)).toBe('lost');
  });
});

describe('wild frames', () => {
  it('sets one aside without losing rest or moving the estimate', () => {
    let moved = 0;
    for (let seed = 0; seed < 100; seed++) {
      const tracker = play(seed, noises.white, () => 1, 4);
      const { offsetPx, offsetSigmaPx } = tracker.track;
      const wildPx = 2 + 10 ** (6 * uniform(seed)());
      const after = tracker.push(4050, measurement({ offsetPx: wildPx, offsetSigmaPx: SIGMA }));
      expect(after.history.at(-1)!.used).toBe(false);
      expect(Math.abs(after.offsetPx! - 1)).toBeLessThan(4.5 * after.offsetSigmaPx!);
      if (after.state !== 'still' || Math.abs(after.offsetPx! - offsetPx!) > offsetSigmaPx!) moved++;
    }
    expect(moved).toBeLessThanOrEqual(1);
  });

  it('sets a frame of another angle or scale aside', () => {
    const tracker = play(1, noises.white, () => 1, 4);
    const before = tracker.track.offsetPx!;
    for (const change of [{ middleAngleDeg: 30 }, { spotDistancePx: 20 }]) {
      const track = tracker.push(tracker.track.timeMs + 33, measurement({ offsetPx: 1, ...change }));
      expect(track.state).toBe('still');
      expect(track.offsetPx).toBe(before);
      expect(track.history.at(-1)!.used).toBe(false);
    }
  });
});

describe('gaps', () => {
  it('has nothing to say before the first measurement, and keeps the reason', () => {
    const tracker = new Tracker();
    expect(tracker.track.state).toBe('none');
    const track = tracker.push(0, noPattern('pair-missing'));
    expect(track).toMatchObject({ state: 'none', reason: 'pair-missing', offsetPx: null, offsetSigmaPx: null });
  });

  it('bridges a short gap, is lost after LOST_AFTER_MS and gathers anew', () => {
    const tracker = play(1, noises.white, () => 1, 4);
    const endMs = tracker.track.timeMs;
    expect(tracker.push(endMs + LOST_AFTER_MS - 100, noPattern('motion-blur'))).toMatchObject({
      state: 'still',
      reason: 'motion-blur',
    });
    expect(tracker.push(endMs + LOST_AFTER_MS + 100, noPattern('no-star'))).toMatchObject({
      state: 'lost',
      reason: 'no-star',
      offsetPx: null,
    });
    const back = tracker.push(endMs + LOST_AFTER_MS + 200, measurement({ offsetPx: 5 }));
    expect(back).toMatchObject({ state: 'gathering', offsetPx: 5, frames: 1, reason: null });
  });

  it('waits long for the next batch of faint frames, but not where each frame was measured before', () => {
    const adding = { ...noPattern('too-dim'), gathering: { frames: 3, ofFrames: 64 } };
    const tracker = play(1, noises.white, () => 1, 4);
    const endMs = tracker.track.timeMs;
    expect(tracker.push(endMs + LOST_AFTER_MS + 100, adding)).toMatchObject({ state: 'lost', offsetPx: null });
    const batches = [5000, 9000, 13_000];
    batches.forEach((afterMs, i) => {
      tracker.push(endMs + afterMs, adding);
      tracker.push(endMs + afterMs + 100, measurement({ offsetPx: 1 + 1e-6 * i }));
    });
    expect(tracker.push(endMs + 17_000, adding).offsetPx).toBeCloseTo(1, 3);
  });

  it('begins anew when the clock is set back, and forgets what is older than a minute', () => {
    const tracker = play(1, noises.white, () => 1, 70);
    const { history, timeMs } = tracker.track;
    expect(timeMs - history[0].timeMs).toBeLessThanOrEqual(60_000);
    const track = tracker.push(1000, measurement({ offsetPx: 2 }));
    expect(track).toMatchObject({ state: 'gathering', frames: 1 });
    expect(track.history).toHaveLength(1);
  });
});

describe('direction of the middle line', () => {
  it('keeps the sense of the offset when the angle jumps between −90° and 90°', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: 1e6 }),
        fc.double({ min: 89.5, max: 90.5, noNaN: true }),
        (seed, angleDeg) => {
          const random = uniform(seed);
          const next = noises.white(random);
          const tracker = new Tracker();
          let flips = 0;
          let first: 1 | -1 | null = null;
          for (let i = 0; i < 150; i++) {
            const { middleAngleDeg, sign } = normalised(angleDeg + 0.5 * next());
            first ??= sign;
            if (sign !== first) flips++;
            const offsetPx = sign * (2 + SIGMA * next());
            const track = tracker.push(
              i * 33,
              measurement({ offsetPx, middleAngleDeg, star: { xPx: i, yPx: 0, saturated: false } }),
            );
            expect(track.latestSign).toBe(sign === first ? 1 : -1);
            expect(track.latestSign * offsetPx).toBe(track.history.at(-1)!.offsetPx);
          }
          expect(flips).toBeGreaterThan(0);
          expect(Math.abs(tracker.track.offsetPx! - 2 * first!)).toBeLessThan(0.06);
        },
      ),
      { numRuns: 20, seed: 1 },
    );
  });

  it('runs on through 90° when the camera turns slowly', () => {
    const tracker = new Tracker();
    for (let i = 0; i < 300; i++) {
      const { middleAngleDeg, sign } = normalised(60 + i / 5);
      tracker.push(
        i * 33,
        measurement({ offsetPx: sign * 2, middleAngleDeg, star: { xPx: i, yPx: 0, saturated: false } }),
      );
    }
    expect(tracker.track.middleAngleDeg!).toBeGreaterThan(115);
    expect(tracker.track.offsetPx).toBeCloseTo(2, 6);
  });
});

describe('magnification', () => {
  it('carries the offset over as a fraction of the spot distance', () => {
    const random = uniform(5);
    const next = noises.white(random);
    const tracker = new Tracker();
    let gathering = 0;
    for (let i = 0; i < 300; i++) {
      const scale = i < 150 ? 1 : 5;
      const star = { xPx: random(), yPx: 0, saturated: false };
      const spotDistancePx = 60 * scale * (1 + 0.003 * next());
      const track = tracker.push(
        i * 33,
        measurement({ star, offsetPx: scale * (1 + SIGMA * next()), offsetSigmaPx: SIGMA * scale, spotDistancePx }),
      );
      expect(track.state).not.toBe('turning');
      if (i >= 150 && track.state === 'gathering') gathering++;
    }
    expect(gathering).toBeLessThan(30);
    const { offsetPx, offsetSigmaPx, spotDistancePx, history } = tracker.track;
    expect(Math.abs(offsetPx! - 5)).toBeLessThan(4 * offsetSigmaPx!);
    expect(spotDistancePx! / 300).toBeCloseTo(1, 2);
    // The trend shows one continuous line at the present scale.
    const early = history.slice(0, 140).map((p) => p.offsetPx);
    expect(early.reduce((a, b) => a + b) / early.length).toBeCloseTo(5, 0);
  });
});
