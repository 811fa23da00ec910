import { describe, expect, it } from 'vitest';
import { balance } from '../../../core/guide/balance.ts';
import { type Calibration, calibrate, turnProgress } from '../../../core/guide/calibrate.ts';
import { type GuideOptions, guide, type Instruction, normalCdf } from '../../../core/guide/guide.ts';
import type { Optics, Reading } from '../../../core/measurement.ts';
import { DEFAULT_MASK, offsetSlope } from '../../../core/optics/mask.ts';
import { instructionWords, REASONS } from '../../../core/strings.ts';
import { LOST_AFTER_MS, type Track, Tracker } from '../../../core/track/track.ts';
import { measurement, noises, noPattern, normalised, uniform } from '../track/rehearsal.ts';

/** A lens at f/2.8 with the mask the right way round: 1 px of offset is a few µm of defocus. */
const OPTICS: Optics = {
  focalMm: 24,
  fNumber: 2.8,
  pixelUm: 2,
  mask: { ...DEFAULT_MASK, handedness: 1, outerAngleDeg: 20 },
};
const UNKNOWN: Optics = { focalMm: null, fNumber: null, pixelUm: null, mask: null };
const UM_PER_PX = (2.8 * 2) / offsetSlope(OPTICS.mask!, 20).k;
const FPS = 30;

/** Someone at the tripod: a ring whose marks move the offset, pictures with noise, the track and the guide. */
class Evening {
  readonly instructions: Instruction[] = [];
  readonly tracker = new Tracker();
  calibration: Calibration | null = null;
  optics: Optics;
  options: Partial<GuideOptions>;
  /** Offset, px at scale 1; clockwise turns make it grow. */
  offsetPx: number;
  sigmaPx = 0.1;
  angleDeg = 10;
  scale = 1;
  #timeMs = 0;
  #random: () => number;
  #noise: () => number;

  constructor(seed: number, offsetPx: number, optics = OPTICS, options: Partial<GuideOptions> = {}) {
    this.#random = uniform(seed);
    this.#noise = noises.white(this.#random);
    this.offsetPx = offsetPx;
    this.optics = optics;
    this.options = options;
  }

  get track(): Track {
    return this.tracker.track;
  }

  /** Watches for so many seconds while the ring turns at the given rate, px/s. */
  run(seconds: number, ratePxPerS = 0, stopWhen: (instruction: Instruction) => boolean = () => false): Instruction[] {
    const from = this.instructions.length;
    for (let i = 0; i < seconds * FPS; i++) {
      this.offsetPx += ratePxPerS / FPS;
      if (stopWhen(this.show(this.#picture()))) break;
    }
    return this.instructions.slice(from);
  }

  show(reading: Reading): Instruction {
    this.#timeMs += 1000 / FPS;
    const track = this.tracker.push(this.#timeMs, reading);
    const next = guide(track, this.optics, this.calibration, this.options, this.instructions.at(-1) ?? null);
    this.instructions.push(next);
    return next;
  }

  #picture(): Reading {
    const { middleAngleDeg, sign } = normalised(this.angleDeg);
    return measurement({
      star: { xPx: 500 + this.#random(), yPx: 300, saturated: false },
      middleAngleDeg,
      offsetPx: sign * this.scale * (this.offsetPx + this.sigmaPx * this.#noise()),
      offsetSigmaPx: this.scale * this.sigmaPx,
      spotDistancePx: 60 * this.scale,
    });
  }

  /** The calibration turn: clockwise by two ring marks, towards near. */
  calibrate(byPx = 2): void {
    this.run(3);
    const start = this.track;
    this.run(1, byPx);
    this.run(3);
    const answer = { turned: 'clockwise', marks: { before: 4, after: 6 }, towards: 'near' } as const;
    const result = calibrate(start, this.track, answer, this.optics);
    expect(result.status).toBe('calibrated');
    if (result.status === 'calibrated') this.calibration = result.calibration;
  }
}

const kinds = (instructions: Instruction[]) => instructions.map((i) => i.kind);
/** Kinds in order of appearance, runs joined. */
const sequence = (instructions: Instruction[]) => kinds(instructions).filter((kind, i, all) => kind !== all[i - 1]);

describe('depth of focus', () => {
  it('is ±2 λ N² = ±8.624 µm at f/2.8 and 0.55 µm (Born & Wolf §8.8, quarter wave)', () => {
    const evening = new Evening(1, 1);
    const { aim } = evening.run(2).at(-1) as Extract<Instruction, { kind: 'distance' }>;
    expect(aim.toleranceUm).toBeCloseTo(8.624, 6);
    expect(aim.tolerancePx).toBeCloseTo(8.624 / UM_PER_PX, 6);
  });

  it('is entered with confidence, not on the estimate alone', () => {
    // A ring at 0.7 of the band, σ of one frame three times the band: most estimates lie inside long before it is sure.
    for (let seed = 0; seed < 10; seed++) {
      const tolerancePx = 8.624 / UM_PER_PX;
      const evening = new Evening(seed, 0.7 * tolerancePx);
      evening.sigmaPx = 3 * tolerancePx;
      const shown = evening.run(8);
      shown.forEach((instruction, i) => {
        if (instruction.kind !== 'in-focus' || shown[i - 1].kind === 'in-focus') return;
        expect(instruction.aim.inFocusProbability).toBeGreaterThanOrEqual(0.98);
      });
      const unsure = shown.filter(
        (i) => 'aim' in i && Math.abs(i.aim.offsetPx) < i.aim.tolerancePx && i.kind === 'hold',
      );
      expect(unsure.length).toBeGreaterThan(0);
    }
  });

  it('takes probabilities from the normal distribution (table values, Abramowitz & Stegun 26.1)', () => {
    expect(normalCdf(0)).toBeCloseTo(0.5, 6);
    expect(normalCdf(1)).toBeCloseTo(0.8413447, 6);
    expect(normalCdf(-1.959964)).toBeCloseTo(0.025, 6);
    expect(normalCdf(3)).toBeCloseTo(0.9986501, 6);
  });

  it('calls a ring out of focus in focus in less than one of twenty evenings', () => {
    let wrong = 0;
    for (let seed = 0; seed < 40; seed++) {
      const evening = new Evening(seed, (1.2 * 8.624) / UM_PER_PX);
      evening.sigmaPx = 2;
      if (kinds(evening.run(10)).some((kind) => kind === 'in-focus' || kind === 'write-it-down')) wrong++;
    }
    expect(wrong).toBeLessThanOrEqual(2);
  });
});

describe('before calibration', () => {
  it('shows the distance and never a direction, whichever way the ring goes', () => {
    for (let seed = 0; seed < 10; seed++) {
      const evening = new Evening(seed, 8);
      evening.run(3);
      evening.run(2, -1);
      evening.run(2);
      evening.run(2, 1);
      evening.run(2);
      const shown = evening.instructions;
      expect(kinds(shown)).toContain('distance');
      expect(kinds(shown)).not.toContain('turn');
      for (const instruction of shown) if ('direction' in instruction) expect(instruction.direction).toBeNull();
      const at = (timeS: number) => shown[Math.round(timeS * FPS)];
      expect(at(2.9)).toMatchObject({ kind: 'distance', why: 'not-calibrated', moving: null });
      expect(at(4.9)).toMatchObject({ moving: 'closer' });
      expect(at(8.9)).toMatchObject({ moving: 'away' });
      const { aim } = at(2.9) as Extract<Instruction, { kind: 'distance' }>;
      expect(Math.abs(aim.distanceUm! - 8 * UM_PER_PX)).toBeLessThan(5 * aim.distanceSigmaUm!);
      expect(aim.focused).toBeNull();
    }
  });
});

describe('a whole turn', () => {
  it('approaches, slows down, stops, is steady, is written down', () => {
    for (let seed = 0; seed < 20; seed++) {
      const evening = new Evening(seed, -14);
      evening.calibrate();
      expect(evening.run(1).at(-1)).toMatchObject({ kind: 'turn', direction: 'clockwise' });
      const approach = [
        ...evening.run(10, 3, ({ kind }) => kind === 'slow-down'),
        ...evening.run(20, 1.2, ({ kind }) => kind === 'stop'),
        // The hand takes a while to follow.
        ...evening.run(0.3, 1.2),
        ...evening.run(8),
      ];
      const order = sequence(approach);
      const first = (kind: string) => order.indexOf(kind as Instruction['kind']);
      expect(first('turn'), `${order}`).toBe(0);
      expect(first('slow-down')).toBeGreaterThan(0);
      expect(first('stop')).toBeGreaterThan(first('slow-down'));
      expect(first('in-focus')).toBeGreaterThan(first('stop'));
      expect(order.at(-1)).toBe('write-it-down');
      expect(order).not.toContain('passed');
      expect(Math.abs(evening.offsetPx) * UM_PER_PX).toBeLessThan(8.624);
      // Calm: no kind comes and goes.
      expect(order.length, `${order}`).toBeLessThanOrEqual(10);
      for (const instruction of approach)
        if (instruction.kind === 'turn') expect(instruction.direction).toBe('clockwise');
    }
  });

  it('notices that focus was passed and leads back', () => {
    let resting = 0;
    for (let seed = 0; seed < 20; seed++) {
      const evening = new Evening(seed, -8);
      evening.calibrate();
      evening.run(1);
      const over = evening.run(4, 3);
      expect(sequence(over), `${sequence(over)}`).toContain('passed');
      const rest = evening.run(3);
      expect(rest.at(-1)).toMatchObject({ direction: 'counter-clockwise' });
      if (rest.at(-1)!.kind === 'passed') resting++;
      const back = [...evening.run(12, -1, ({ kind }) => kind === 'stop'), ...evening.run(0.4, -1), ...evening.run(8)];
      expect(sequence(back)).toContain('turn');
      expect(back.at(-1)!.kind).toBe('write-it-down');
    }
    expect(resting).toBeGreaterThanOrEqual(18);
  });

  it('waits for the steady time, and begins again when the ring is touched', () => {
    const evening = new Evening(4, 0.1, OPTICS, { steadySeconds: 5 });
    const shown = evening.run(9);
    expect(sequence(shown)).toEqual(['hold', 'in-focus', 'write-it-down']);
    const left = shown.flatMap((i) => (i.kind === 'in-focus' ? [i.seconds] : []));
    expect(left.every((s, i) => i === 0 || s < left[i - 1])).toBe(true);
    evening.run(1, 2);
    const after = evening.run(3);
    expect(kinds(after)).not.toContain('write-it-down');
  });

  it('gives the amount in µm and ring marks with true σ, and on which side of the star the lens is focused', () => {
    for (let seed = 0; seed < 10; seed++) {
      const evening = new Evening(seed, -14);
      evening.calibrate();
      const { aim } = evening.run(2).at(-1) as Extract<Instruction, { kind: 'turn' }>;
      // Two marks made 2 px: 1 px a mark. −12 px is left.
      expect(Math.abs(aim.distanceMarks! - 12)).toBeLessThan(3 * aim.distanceSigmaMarks!);
      expect(aim.distanceSigmaMarks!).toBeLessThan(2);
      expect(Math.abs(aim.distanceUm! - 12 * UM_PER_PX)).toBeLessThan(5 * aim.distanceSigmaUm!);
      // Turning towards near makes the offset grow; it is negative: the lens is focused behind the star.
      expect(aim.focused).toBe('behind');
    }
  });
});

describe('calm', () => {
  it('does not flicker at the edge of the band', () => {
    for (let seed = 0; seed < 3; seed++) {
      for (const part of [0.7, 0.8, 0.9, 1, 1.1]) {
        const evening = new Evening(seed, (part * 8.624) / UM_PER_PX);
        evening.sigmaPx = 0.5;
        const order = sequence(evening.run(20));
        expect(order.length, `${part}: ${order}`).toBeLessThanOrEqual(8);
      }
    }
  });

  it('keeps the instruction through a few frames without a pattern, then says why', () => {
    const evening = new Evening(1, 6);
    evening.run(3);
    for (let i = 0; i < 10; i++) expect(evening.show(noPattern('motion-blur')).kind).toBe('distance');
    for (let i = 0; i * 33 < LOST_AFTER_MS; i++) evening.show(noPattern('motion-blur'));
    expect(evening.instructions.at(-1)).toEqual({ kind: 'no-pattern', reason: 'motion-blur' });
    expect(evening.run(0.5).at(-1)!.kind).toBe('hold');
  });

  it('knows the way back when the ring is turned until nothing can be measured any more, and only where it was taught', () => {
    for (const isTaught of [true, false]) {
      const evening = new Evening(4, 2);
      if (isTaught) evening.calibrate();
      // Clockwise, away from focus on the far side.
      evening.run(1, 6);
      evening.run(0.5);
      for (let i = 0; i * 33 < 2 * LOST_AFTER_MS; i++) evening.show(noPattern('no-spots'));
      const back = isTaught ? { back: 'counter-clockwise' } : {};
      expect(evening.instructions.at(-1)).toEqual({ kind: 'no-pattern', reason: 'no-spots', ...back });
      evening.show(noPattern('too-far'));
      const { headline, detail } = instructionWords(evening.show(noPattern('too-far')));
      expect([headline, detail]).toEqual(
        isTaught
          ? ['Back, counter-clockwise', expect.stringMatching(/turn back until the star is small/)]
          : ['Far from focus', REASONS['too-far']],
      );
    }
  });

  it('asks to magnify where the scale cannot prove focus in reasonable time', () => {
    const evening = new Evening(2, 0, { ...OPTICS, pixelUm: 40 });
    evening.sigmaPx = 2;
    expect(evening.run(4).at(-1)!.kind).toBe('magnify');
  });
});

describe('optics not known', () => {
  it('falls back to a band in pixels', () => {
    const evening = new Evening(3, 0.02, UNKNOWN);
    const last = evening.run(8).at(-1) as Extract<Instruction, { kind: 'write-it-down' }>;
    expect(last.kind).toBe('write-it-down');
    expect(last.aim).toMatchObject({ toleranceUm: null, tolerancePx: 0.2, distanceUm: null, focused: null });
    expect(new Evening(3, 0.5, UNKNOWN).run(8).at(-1)!.kind).toBe('distance');
  });

  it('widens the σ in µm by what is not known of the mask', () => {
    const evening = new Evening(3, 6);
    evening.run(5);
    const sure = evening.instructions.at(-1) as Extract<Instruction, { kind: 'distance' }>;
    const optics = { ...OPTICS, mask: { ...OPTICS.mask!, handedness: null } };
    const vague = guide(evening.track, optics, null) as Extract<Instruction, { kind: 'distance' }>;
    expect(vague.aim.distanceSigmaUm!).toBeGreaterThan(5 * sure.aim.distanceSigmaUm!);
    expect(Math.abs(vague.aim.distanceUm! - sure.aim.distanceUm!)).toBeLessThan(2 * vague.aim.distanceSigmaUm!);
  });
});

describe('which way round', () => {
  it('keeps its directions when the middle line’s angle jumps at 90°', () => {
    for (const angleDeg of [89.9, 90.05, -89.9]) {
      const evening = new Evening(5, -14);
      evening.angleDeg = 89.9;
      evening.calibrate();
      evening.angleDeg = angleDeg < 0 ? angleDeg + 180 : angleDeg;
      // A new track, as after a restart, takes the angle as the first frame gives it.
      const again = new Evening(6, -12);
      again.angleDeg = evening.angleDeg;
      again.calibration = JSON.parse(JSON.stringify(evening.calibration));
      expect(again.run(3).at(-1)).toMatchObject({ kind: 'turn', direction: 'clockwise', aim: { focused: 'behind' } });
    }
  });

  it('names no direction once the mask has been turned too far to tell', () => {
    const evening = new Evening(5, -14);
    evening.calibrate();
    evening.angleDeg = 10 + 60;
    const last = evening.run(3).at(-1)!;
    expect(last).toMatchObject({ kind: 'distance', why: 'mask-turned' });
    expect(evening.track.state).toBe('still');
  });

  it('keeps directions and ring marks when live view is magnified, marks not when the focal length changes', () => {
    const evening = new Evening(5, -14);
    evening.calibrate();
    evening.scale = 5;
    evening.optics = { ...OPTICS, pixelUm: OPTICS.pixelUm! / 5 };
    // From the first frame on, whose scale the track does not take over before it is confirmed.
    for (const { aim } of evening.run(0.5) as Extract<Instruction, { kind: 'turn' }>[])
      expect(Math.abs(aim.distanceUm! - 12 * UM_PER_PX)).toBeLessThan(5 * aim.distanceSigmaUm!);
    const magnified = evening.run(4).at(-1) as Extract<Instruction, { kind: 'turn' }>;
    expect(magnified).toMatchObject({ kind: 'turn', direction: 'clockwise' });
    expect(Math.abs(magnified.aim.distanceMarks! - 12)).toBeLessThan(3 * magnified.aim.distanceSigmaMarks!);
    expect(Math.abs(magnified.aim.distanceUm! - 12 * UM_PER_PX)).toBeLessThan(5 * magnified.aim.distanceSigmaUm!);
    evening.optics = { ...evening.optics, focalMm: 50 };
    const zoomed = evening.run(1).at(-1) as Extract<Instruction, { kind: 'turn' }>;
    expect(zoomed.direction).toBe('clockwise');
    expect(zoomed.aim.distanceMarks).toBeNull();
  });
});

describe('calibration turn', () => {
  const answer = { turned: 'clockwise', marks: null, towards: null } as const;

  it('refuses a turn too small to tell from noise, and says how large it must be', () => {
    const evening = new Evening(1, -5);
    evening.run(3);
    const start = evening.track;
    evening.run(1, 0.02);
    evening.run(3);
    const result = calibrate(start, evening.track, answer, OPTICS);
    expect(result).toMatchObject({ status: 'refused', why: 'too-small' });
    if (result.status === 'refused') expect(result.neededPx!).toBeGreaterThan(result.changePx!);
  });

  it('takes no drift of the star for a turn, however little noise there is', () => {
    const evening = new Evening(1, -5);
    evening.sigmaPx = 0.005;
    evening.run(3);
    const start = evening.track;
    evening.run(1, 0.05);
    evening.run(3);
    expect(turnProgress(start, evening.track).phase).toBe('turn');
    expect(calibrate(start, evening.track, answer, OPTICS)).toMatchObject({ status: 'refused', why: 'too-small' });
  });

  it('refuses without a measurement, while the ring moves, when the mask moved, and equal marks', () => {
    const evening = new Evening(1, -5);
    const nothing = evening.track;
    evening.run(3);
    const start = evening.track;
    expect(calibrate(nothing, start, answer, OPTICS)).toMatchObject({ why: 'no-pattern' });
    evening.run(1, 2);
    expect(calibrate(start, evening.track, answer, OPTICS)).toMatchObject({ why: 'not-still' });
    expect(turnProgress(start, evening.track).phase).toBe('hold');
    evening.run(3);
    expect(turnProgress(start, evening.track).phase).toBe('ready');
    const equal = { ...answer, marks: { before: 3, after: 3 } };
    expect(calibrate(start, evening.track, equal, OPTICS)).toMatchObject({ why: 'marks-equal' });
    evening.angleDeg += 20;
    evening.run(3);
    expect(calibrate(start, evening.track, answer, OPTICS)).toMatchObject({ why: 'mask-moved' });
  });

  it('learns the same from a turn either way, and survives JSON', () => {
    const there = new Evening(1, -5);
    there.calibrate(2);
    const back = new Evening(2, -5);
    back.run(3);
    const start = back.track;
    back.run(1, -2);
    back.run(3);
    const result = calibrate(
      start,
      back.track,
      { turned: 'counter-clockwise', marks: { before: 6, after: 4 }, towards: 'infinity' },
      OPTICS,
    );
    expect(result).toMatchObject({
      calibration: { clockwiseSign: there.calibration!.clockwiseSign, orientation: there.calibration!.orientation },
    });
    expect(JSON.parse(JSON.stringify(there.calibration))).toEqual(there.calibration);
  });

  it('tells pixels a ring mark with true σ over many turns', () => {
    const z: number[] = [];
    for (let seed = 0; seed < 60; seed++) {
      const random = uniform(1000 + seed);
      const noise = noises.white(random);
      const evening = new Evening(seed, -5);
      evening.run(3);
      const start = evening.track;
      evening.run(1, 2);
      evening.run(3);
      const marks = { before: 4 + 0.1 * noise(), after: 6 + 0.1 * noise() };
      const result = calibrate(start, evening.track, { ...answer, marks }, OPTICS);
      if (result.status !== 'calibrated') throw new Error(result.why);
      const { spotDistances, sigma } = result.calibration.perMark!;
      z.push((spotDistances - 1 / 60) / sigma);
    }
    const spread = Math.sqrt(z.reduce((sum, v) => sum + v * v, 0) / z.length);
    expect(spread).toBeGreaterThan(0.75);
    expect(spread).toBeLessThan(1.25);
  });
});

describe('balance of the gaps', () => {
  it('is even in focus, and closes on the side to which the middle line moves (geometry: L sin θ ∓ offset)', () => {
    const even = balance(measurement({ offsetPx: 0, spotDistancePx: 60, outerAngleDeg: 30 }))!;
    expect(even.gapAPx).toBeCloseTo(30, 9);
    expect(even).toMatchObject({ ratio: 1, tilt: 0 });
    const { gapAPx, gapBPx, ratio, tilt } = balance(
      measurement({ offsetPx: 10, spotDistancePx: 60, outerAngleDeg: 30 }),
    )!;
    expect(gapAPx).toBeCloseTo(20, 9);
    expect(gapBPx).toBeCloseTo(40, 9);
    expect(ratio).toBeCloseTo(0.5, 9);
    expect(tilt).toBeCloseTo(1 / 3, 9);
    expect(balance(measurement({ offsetPx: 40, outerAngleDeg: 30 }))!.ratio).toBeNull();
    expect(balance(new Tracker().track)).toBeNull();
  });
});
