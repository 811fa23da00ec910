import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { StepSize } from '../../../core/camera/drive.ts';
import { FocusMotor, MOST_MOVES } from '../../../core/guide/motor.ts';
import { drive, type Lens } from './lens.ts';

const counted: StepSize[] = [{ nominal: 1, most: 2000 }];
const three: StepSize[] = [1, 5, 20].map((nominal) => ({ nominal, most: 8 }));
const FREE = { travelSteps: 40_000, firstSteps: 8 };
const RUNS = { numRuns: 2000, seed: 20_260_101 };

const plain: Lens = {
  gain: 0.05,
  uneven: 0,
  playSteps: 60,
  ends: [-1e6, 1e6],
  tellsEnds: true,
  refusing: 0,
  start: -12,
  sigma: 0.1,
  lengths: [1],
  seenTo: 100,
  seed: 1,
};

/** All alike: fc.double has most of its numbers close to 0, where there is nothing to do. */
const part = fc.integer({ min: 0, max: 2 ** 20 }).map((count) => count / 2 ** 20);
const between = (least: number, most: number) => part.map((p) => least + (most - least) * p);
/** Any number from `least` to `most`, all ratios alike. */
const ratio = (least: number, most: number) => part.map((p) => least * (most / least) ** p);

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

/** Way that the motor must be let go to be in focus, whichever way it tries first and wherever its play stands. */
const neededSteps = ({ start, gain, uneven, playSteps }: Lens) =>
  Math.abs(start / gain) * (1 + Math.abs(uneven)) + playSteps;

describe.each([
  ['counted steps', counted, anyLens(ratio(0.002, 0.3), fc.constant([1])), 8, 0],
  // Lengths of sizes are measured, and trusted within 3 σ: about 1 in 10 000 of these lenses is taken a little too far.
  [
    'three sizes of unknown length',
    three,
    anyLens(ratio(0.05, 0.8), fc.tuple(fc.constant(1), between(3, 7), between(10, 40))),
    1,
    0.1,
  ],
] as const)('a motor with %s', (_, sizes, lenses, firstSteps, tolerance) => {
  const run = (lens: Lens, travelSteps = FREE.travelSteps) =>
    drive(new FocusMotor(sizes, { travelSteps, firstSteps }), lens);

  it('ends in focus, whatever its gain, direction, play and noise, in a bounded number of moves', () => {
    fc.assert(
      fc.property(lenses, (lens) => {
        const { end, position, moves } = run(lens);
        expect(end).toEqual({ kind: 'stop', reason: 'in-focus' });
        // What it saw was inside the band by two σ; the truth may be off by the noise of that one look.
        expect(Math.abs(position)).toBeLessThan(1 + 2 * lens.sigma);
        expect(moves).toBeLessThanOrEqual(MOST_MOVES);
      }),
      RUNS,
    );
  });

  it('comes in from one side, the play taken up', () => {
    // So far off, and of such lengths, that no first try passes focus: the side is the one to which focus lies.
    const far = lenses
      .filter(({ start, gain, playSteps }) => Math.abs(start) > 22 && playSteps * Math.abs(gain) < 6)
      .map((lens) => ({ ...lens, uneven: 0, lengths: sizes.map(({ nominal }) => nominal) }));
    fc.assert(
      fc.property(far, (lens) => {
        const { sides, follows } = run(lens);
        expect(sides.at(-1)).toBe(-Math.sign(lens.start * lens.gain));
        expect(follows).toBe(true);
      }),
      RUNS,
    );
    fc.assert(
      fc.property(lenses, (lens) => {
        const { follows, position } = run(lens);
        // Where nothing has moved it was as good as in focus from the beginning.
        expect(follows || position === lens.start).toBe(true);
      }),
      RUNS,
    );
  });

  it('never goes beyond the travel given, by the true lengths of its steps, also where moves are refused', () => {
    fc.assert(
      fc.property(lenses, fc.integer({ min: 1, max: 1000 }), fc.constantFrom(0, 0.1), (lens, travelSteps, refusing) => {
        const { furthestSteps } = run({ ...lens, refusing }, travelSteps);
        expect(furthestSteps).toBeLessThanOrEqual(travelSteps * (1 + tolerance));
      }),
      RUNS,
    );
  });

  it('comes into focus nevertheless where the travel is twice what it needs, almost always', () => {
    const lensesToTry = fc.sample(fc.noBias(lenses), RUNS);
    const found = lensesToTry.filter((lens) => {
      const travelSteps = Math.max(100, Math.ceil(2 * neededSteps(lens)));
      return run(lens, travelSteps).end.reason === 'in-focus';
    });
    expect(found.length / lensesToTry.length).toBeGreaterThan(0.97);
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
        const { end: stop, moves, beyondEndSteps } = run({ ...lens, uneven: 0, ends, tellsEnds });
        // A motor that says nothing at its end looks like one with much play, or one that obeys no longer.
        const honest = ['at-limit', 'no-response', ...(tellsEnds ? [] : ['too-far', 'not-converging'])];
        expect(honest).toContain(stop.reason);
        expect(beyondEndSteps).toBe(0);
        expect(moves).toBeLessThanOrEqual(MOST_MOVES);
      }),
      RUNS,
    );
  });

  it('does not go into an end behind its start again, also when it loses the star there', () => {
    fc.assert(
      fc.property(lenses, between(0, 10), between(3, 20), (lens, bands, seen) => {
        const end = (Math.sign(lens.start * lens.gain) * bands) / Math.abs(lens.gain);
        const ends: Lens['ends'] = end > 0 ? [-1e6, end] : [end, 1e6];
        expect(run({ ...lens, ends, seenTo: Math.abs(lens.start) + seen }).beyondEndSteps).toBe(0);
      }),
      RUNS,
    );
  });
});

describe('what the motor is taught by its moves', () => {
  it('learns gain and play', () => {
    // Steps so coarse against the distance that it passes focus and has to come in again.
    const motor = new FocusMotor(counted, { travelSteps: 40_000, firstSteps: 300 });
    drive(motor, { ...plain, start: -3, sigma: 0.02 });
    expect(motor.learned.bandsPerStep).toBeCloseTo(0.05, 2);
    expect(motor.learned.playSteps).toBeGreaterThan(50);
    expect(motor.learned.playSteps).toBeLessThan(70);
  });

  it('does nothing when it is in focus already', () => {
    const run = drive(new FocusMotor(counted, FREE), { ...plain, start: 0.2, sigma: 0.1 });
    expect(run).toMatchObject({ end: { reason: 'in-focus' }, moves: 0 });
  });
});

describe('giving up', () => {
  const give = (lens: Partial<Lens>, options = FREE) =>
    drive(new FocusMotor(counted, options), { ...plain, ...lens }).end.reason;

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
  it('does not call focus what it sees after a way back', () => {
    const motor = new FocusMotor(counted, FREE);
    motor.next({ position: -12, sigma: 0.1 });
    motor.next(null);
    expect(motor.next({ position: 0.1, sigma: 0.1 }).kind).toBe('move');
  });
  it('remembers an end at which it lost the star', () => {
    const motor = new FocusMotor(counted, FREE);
    const seen = { position: -12, sigma: 0.1 };
    motor.next(seen);
    expect(motor.next(null, 'at-limit')).toMatchObject({ move: { side: -1 } });
    expect(motor.next(seen, 'at-limit')).toEqual({ kind: 'stop', reason: 'no-response' });
  });
  it('counts a move into the end as one that may not have been made', () => {
    const motor = new FocusMotor(counted, { travelSteps: 20, firstSteps: 8 });
    const seen = { position: -12, sigma: 0.1 };
    motor.next(seen);
    let backSteps = 0;
    for (let next = motor.next(seen, 'at-limit'); next.kind === 'move'; next = motor.next(seen)) {
      backSteps += next.move.count;
    }
    expect(backSteps).toBe(20);
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
