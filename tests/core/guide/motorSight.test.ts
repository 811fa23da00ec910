import { describe, expect, it } from 'vitest';
import { sightSince } from '../../../core/guide/motorSight.ts';
import { Tracker } from '../../../core/track/track.ts';
import { measurement, type Noise, noises, noPattern, uniform } from '../track/rehearsal.ts';

const FPS = 20;
const TOLERANCE_PX = 0.5;

/** Frames of an offset that changes over time, pushed into a tracker; `see` is asked after each. */
function watch(seconds: number, offsetPx: (timeS: number) => number | null, noise: Noise, seed: number) {
  const tracker = new Tracker();
  const next = noise(uniform(seed));
  const sights: ReturnType<typeof sightSince>[] = [];
  return {
    tracker,
    run(sinceS: number) {
      for (let i = 1; i <= seconds * FPS; i++) {
        const timeMs = (1000 * i) / FPS;
        const offset = offsetPx(timeMs / 1000);
        const star = { xPx: 500 + 1e-6 * i, yPx: 300, saturated: false };
        const reading =
          offset === null
            ? noPattern('no-spots')
            : measurement({ offsetPx: offset + 0.1 * next(), offsetSigmaPx: 0.1, star });
        sights.push(sightSince(tracker.push(timeMs, reading), TOLERANCE_PX, 1000 * sinceS, timeMs));
      }
      return sights;
    },
  };
}

const first = (sights: ReturnType<typeof sightSince>[]) => sights.findIndex((sight) => sight !== 'wait');

describe('where focus stands after a move', () => {
  it('is told from frames after it alone', () => {
    // A jump at 3 s; the tracker has seen the old place for long.
    const sights = watch(6, (timeS) => (timeS < 3 ? 4 : 1), noises.white, 3).run(3);
    const at = first(sights);
    // Not before the camera's delay and enough frames have passed.
    expect((at + 1) / FPS).toBeGreaterThan(3 + 0.4 + 0.6);
    expect((at + 1) / FPS).toBeLessThan(5);
    const { position, sigma } = sights[at] as { position: number; sigma: number };
    expect(Math.abs(position - 2)).toBeLessThan(4 * sigma);
    expect(sigma).toBeLessThan(0.13);
  });

  it('is waited for while the lens is still on its way', () => {
    const sights = watch(8, (timeS) => Math.max(1, 4 - 2 * Math.max(0, timeS - 3)), noises.white, 3).run(3);
    const at = first(sights);
    expect((at + 1) / FPS).toBeGreaterThan(4.5);
    expect(Math.abs((sights[at] as { position: number }).position - 2)).toBeLessThan(0.5);
  });

  it('is unknown, and so told, when no pattern has been seen for five seconds', () => {
    const sights = watch(9, (timeS) => (timeS < 2 ? 1 : null), noises.white, 3).run(2);
    expect((sights.indexOf(null) + 1) / FPS).toBeCloseTo(7.05, 1);
    expect(sights.slice(0, first(sights)).every((sight) => sight === 'wait')).toBe(true);
  });

  it('is waited for while frames of faint spots are added up, and the first mean after a move is left out', () => {
    const tracker = new Tracker();
    const batch = 40;
    let mean = 0;
    const told: ReturnType<typeof sightSince>[] = [];
    for (let i = 1; i <= 24 * FPS; i++) {
      const timeMs = (1000 * i) / FPS;
      // The move ends in the middle of a batch.
      mean += (timeMs < 7000 ? 3 : 1) / batch;
      const star = { xPx: 500 + 1e-6 * i, yPx: 300, saturated: false };
      const gathering = { frames: i % batch, ofFrames: batch };
      const reading =
        i % batch === 0
          ? measurement({ offsetPx: mean + 1e-4 * Math.sin(i), offsetSigmaPx: 0.02, star })
          : { status: 'no-pattern' as const, reason: 'too-dim' as const, star, gathering };
      if (i % batch === 0) mean = 0;
      told.push(sightSince(tracker.push(timeMs, reading), TOLERANCE_PX, 7000, timeMs));
    }
    const at = first(told);
    // The batch that ends at 8 s is mixed; six more come every two seconds.
    expect((at + 1) / FPS).toBe(20);
    expect((told[at] as { position: number }).position).toBeCloseTo(2, 2);
  });

  it('is told late but not never when it stays uncertain', () => {
    const sights = watch(
      9,
      () => 1,
      (random) => () => 12 * noises.white(random)(),
      3,
    ).run(0);
    expect(sights.at(-1)).not.toBe('wait');
    expect((sights.at(-1) as { sigma: number }).sigma).toBeGreaterThan(0.12);
  });
});

// (measured − truth)/σ: never much above unit spread; below it where frames are independent, since they may not be.
it.each([
  ['white', noises.white, 0.4, 0.75],
  ['seeing', noises.seeing, 0.7, 1.1],
  ['understated', noises.understated, 0.4, 1.1],
  ['heavy', noises.heavy, 0.3, 0.8],
] as const)('has a σ that holds for %s noise', (_, noise, least, most) => {
  let sum = 0;
  const runs = 60;
  for (let seed = 0; seed < runs; seed++) {
    const sights = watch(5, () => 1, noise, seed).run(0.5);
    const { position, sigma } = sights[first(sights)] as { position: number; sigma: number };
    sum += ((position - 2) / sigma) ** 2;
  }
  expect(Math.sqrt(sum / runs)).toBeGreaterThan(least);
  expect(Math.sqrt(sum / runs)).toBeLessThan(most);
});
