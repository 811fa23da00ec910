import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { StepSize } from '../../../core/camera/drive.ts';
import { FocusMotor, MOST_MOVES } from '../../../core/guide/motor.ts';
import { drive, type Lens } from './lens.ts';

const counted: StepSize[] = [{ nominal: 1, most: 2000 }];
const three: StepSize[] = [1, 5, 20].map((nominal) => ({ nominal, most: 8 }));
const FREE = { travelSteps: 40_000, firstSteps: 8 };
const RUNS = { numRuns: 400, seed: 20_260_101 };

const plain: Lens = {
  gain: 0.05,
  uneven: 0,
  playSteps: 60,
  ends: [-1e6, 1e6],
  tellsEnds: true,
  start: -12,
  sigma: 0.1,
  lengths: [1],
  seenTo: 100,
  seed: 1,
};

/** Any number from `least` to `most`, all ratios alike. */
const ratio = (least: number, most: number) =>
  fc.double({ min: 0, max: 1, noNaN: true }).map((part) => least * (most / least) ** part);
const between = (min: number, max: number) => fc.double({ min, max, noNaN: true });

const anyLens = (gain: fc.Arbitrary<number>, lengths: fc.Arbitrary<number[]>) =>
  fc
    .record({
      gain,
      sign: fc.constantFrom(1, -1),
      playBands: between(0, 12),
      uneven: between(-0.15, 0.15),
      start: between(-30, 30),
      sigma: ratio(0.02, 0.3),
      lengths,
      seed: fc.nat(),
    })
    .map(
      ({ gain: size, sign, playBands, ...rest }): Lens => ({
        ...plain,
        ...rest,
        gain: sign * size,
        playSteps: Math.min(playBands / size, 600),
      }),
    );

describe.each([
  ['counted steps', counted, anyLens(ratio(0.002, 0.3), fc.constant([1])), 8],
  [
    'three sizes of unknown length',
    three,
    anyLens(ratio(0.05, 0.8), fc.tuple(fc.constant(1), between(3, 7), between(10, 40))),
    1,
  ],
] as const)('a motor with %s', (_, sizes, lenses, firstSteps) => {
  it('ends in focus, whatever its gain, direction, play and noise, in a bounded number of moves', () => {
    fc.assert(
      fc.property(lenses, (lens) => {
        const run = drive(new FocusMotor(sizes, { ...FREE, firstSteps }), lens, sizes);
        expect(run.end).toEqual({ kind: 'stop', reason: 'in-focus' });
        // What it saw was inside the band by two σ; the truth may be off by the noise of that one look.
        expect(Math.abs(run.position)).toBeLessThan(1 + 2 * lens.sigma);
        expect(run.moves).toBeLessThanOrEqual(MOST_MOVES);
      }),
      RUNS,
    );
  });

  it('never goes beyond the travel given', () => {
    fc.assert(
      fc.property(lenses, between(1, 400), (lens, travel) => {
        const travelSteps = Math.floor(travel);
        const run = drive(new FocusMotor(sizes, { travelSteps, firstSteps }), lens, sizes);
        expect(run.furthest).toBeLessThanOrEqual(travelSteps);
      }),
      RUNS,
    );
  });

  it('stays between the motor’s own ends once it has met them, and says when focus lies beyond', () => {
    fc.assert(
      fc.property(lenses, between(0.1, 0.9), fc.boolean(), (lens, part, tellsEnds) => {
        // Focus would be reached at this many steps; the end comes before.
        const needed = -lens.start / lens.gain;
        fc.pre(Math.abs(lens.start) * (1 - part) > 3);
        const end = part * needed - Math.sign(needed) * lens.playSteps;
        fc.pre(end * needed > 0);
        const ends: Lens['ends'] = needed > 0 ? [-1e6, end] : [end, 1e6];
        const run = drive(
          new FocusMotor(sizes, { ...FREE, firstSteps }),
          { ...lens, uneven: 0, ends, tellsEnds },
          sizes,
        );
        // A motor that says nothing at its end looks like one with much play, or one that obeys no longer.
        const honest = ['at-limit', 'no-response', ...(tellsEnds ? [] : ['too-far', 'not-converging'])];
        expect(honest).toContain(run.end.reason);
        expect(run.moves).toBeLessThanOrEqual(MOST_MOVES);
      }),
      RUNS,
    );
  });
});

describe('what the motor is taught by its moves', () => {
  it('learns gain and play', () => {
    // Steps so coarse against the distance that it passes focus and has to come in again.
    const motor = new FocusMotor(counted, { travelSteps: 40_000, firstSteps: 300 });
    drive(motor, { ...plain, start: -3, sigma: 0.02 }, counted);
    expect(motor.learned.bandsPerStep).toBeCloseTo(0.05, 2);
    expect(motor.learned.playSteps).toBeGreaterThan(50);
    expect(motor.learned.playSteps).toBeLessThan(70);
  });

  it('comes in from one side: the last move never follows a change of direction into the band', () => {
    for (let seed = 0; seed < 50; seed++) {
      const { end, sides } = drive(
        new FocusMotor(counted, FREE),
        { ...plain, start: 4 * (seed % 7) - 13, seed },
        counted,
      );
      expect(end.reason).toBe('in-focus');
      const turns = sides.filter((side, i) => i > 0 && side !== sides[i - 1]).length;
      // At most: the wrong way first, then past focus and back a few times.
      expect(turns).toBeLessThanOrEqual(7);
    }
  });

  it('does nothing when it is in focus already', () => {
    const run = drive(new FocusMotor(counted, FREE), { ...plain, start: 0.2, sigma: 0.1 }, counted);
    expect(run).toMatchObject({ end: { reason: 'in-focus' }, moves: 0 });
  });
});

describe('giving up', () => {
  const give = (lens: Partial<Lens>, options = FREE) =>
    drive(new FocusMotor(counted, options), { ...plain, ...lens }, counted).end.reason;

  it('says so when nothing moves', () => {
    expect(give({ gain: 0 })).toBe('no-response');
    expect(give({ ends: [0, 0], playSteps: 0 })).toBe('no-response');
  });
  it('says when focus is further than the motor may go', () => {
    expect(give({ start: -30 }, { travelSteps: 300, firstSteps: 8 })).toBe('too-far');
  });
  it('says when one step is larger than the depth of focus', () => {
    expect(give({ gain: 5, start: 12, playSteps: 0 }, { travelSteps: 1000, firstSteps: 1 })).toBe('too-coarse');
  });
  it('says when what is seen is too uncertain to call', () => {
    expect(give({ start: 0.1, sigma: 0.45 })).toBe('too-uncertain');
  });
  it('steps back when the star is lost by a move, and gives up only when that does not help', () => {
    const motor = new FocusMotor(counted, FREE);
    const seen = { position: -12, sigma: 0.1 };
    const first = motor.next(seen);
    expect(first).toEqual({ kind: 'move', move: { side: 1, size: 0, count: 8 } });
    expect(motor.next(null)).toEqual({ kind: 'move', move: { side: -1, size: 0, count: 4 } });
    expect(motor.next(null)).toEqual({ kind: 'move', move: { side: -1, size: 0, count: 4 } });
    expect(motor.next(null)).toEqual({ kind: 'stop', reason: 'star-lost' });
    // Never seen at all: it does not move.
    expect(new FocusMotor(counted, FREE).next(null)).toEqual({ kind: 'stop', reason: 'star-lost' });
  });
  it('asks again when a move is refused, three times', () => {
    const motor = new FocusMotor(counted, FREE);
    const seen = { position: -12, sigma: 0.1 };
    const first = motor.next(seen);
    expect(motor.next(seen, 'refused')).toEqual(first);
    expect(motor.next(seen, 'refused')).toEqual(first);
    expect(motor.next(seen, 'refused')).toEqual({ kind: 'stop', reason: 'refused' });
  });
});
