import type { StepSize } from '../../../core/camera/drive.ts';
import { type FocusMotor, MOST_MOVES, type MotorDecision, type MoveOutcome } from '../../../core/guide/motor.ts';
import { seededRandom } from '../../../core/simulator/random.ts';

/** A lens with a motor, as FocusMotor's model has it, and what it does not know of it. */
export interface Lens {
  /** Bands per smallest step, signed. */
  gain: number;
  /** Share by which the gain changes over 20 bands. */
  uneven: number;
  /** Smallest steps lost when the direction changes. */
  playSteps: number;
  /** Where the motor's own ends are, in smallest steps from the start, and whether it tells when it runs into one. */
  ends: [least: number, most: number];
  tellsEnds: boolean;
  /** Where focus stands at the start, bands. */
  start: number;
  /** σ of what is seen, bands. */
  sigma: number;
  /** True lengths of the step sizes, smallest steps. */
  lengths: readonly number[];
  /** Beyond this no pattern is seen, bands. */
  seenTo: number;
  seed: number;
}

export interface Run {
  end: Extract<MotorDecision, { kind: 'stop' }>;
  moves: number;
  /** True position at the end, bands. */
  position: number;
  /** Furthest that was commanded, in nominal smallest steps from the start. */
  furthest: number;
  /** Whether the last move came from the same side as the one before it. */
  sides: (1 | -1)[];
}

/** Lets the loop drive the lens until it stops. The lens follows its motor as in a gear with play. */
export function drive(motor: FocusMotor, lens: Lens, sizes: readonly StepSize[]): Run {
  const random = seededRandom(lens.seed);
  const half = lens.playSteps / 2;
  let at = 0;
  // The play stands anywhere at the start.
  let group = half * (2 * random.uniform() - 1);
  const origin = group;
  let commanded = 0;
  let furthest = 0;
  const sides: (1 | -1)[] = [];
  const position = () => {
    const even = lens.gain * (group - origin);
    return lens.start + even * (1 + (lens.uneven * Math.abs(even)) / 20);
  };
  let outcome: MoveOutcome = 'done';
  for (let turn = 0; turn <= MOST_MOVES + 1; turn++) {
    const seen =
      Math.abs(position()) > lens.seenTo
        ? null
        : { position: position() + lens.sigma * random.gauss(), sigma: lens.sigma };
    const decision = motor.next(seen, outcome);
    if (decision.kind === 'stop') return { end: decision, moves: turn, position: position(), furthest, sides };
    const { side, size, count } = decision.move;
    sides.push(side);
    commanded += side * count * sizes[size].nominal;
    furthest = Math.max(furthest, Math.abs(commanded));
    const wanted = at + side * count * lens.lengths[size];
    at = Math.min(lens.ends[1], Math.max(lens.ends[0], wanted));
    group = Math.min(at + half, Math.max(at - half, group));
    outcome = at !== wanted && lens.tellsEnds ? 'at-limit' : 'done';
  }
  throw new Error('the loop does not end');
}
