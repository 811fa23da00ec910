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
  /** Share of moves that are refused, of which some part is made all the same. */
  refusing: number;
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
  /** Furthest that the motor truly was from its start, by the lens's own lengths, smallest steps. */
  furthestSteps: number;
  /** Furthest that it was sent beyond an end that it had told before, smallest steps. */
  beyondEndSteps: number;
  /** Side of each move. */
  sides: (1 | -1)[];
  /** Whether at the end the play is taken up to the side of the last move: the lens follows it. */
  follows: boolean;
}

/** Lets the loop drive the lens until it stops. The lens follows its motor as in a gear with play. */
export function drive(motor: FocusMotor, lens: Lens): Run {
  const random = seededRandom(lens.seed);
  const half = lens.playSteps / 2;
  let at = 0;
  // The play stands anywhere at the start.
  let group = half * (2 * random.uniform() - 1);
  const origin = group;
  let furthestSteps = 0;
  let beyondEndSteps = 0;
  const told = { '-1': false, 1: false };
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
    if (decision.kind === 'stop') {
      const follows = group === at - (sides.at(-1) ?? 0) * half;
      return { end: decision, moves: turn, position: position(), furthestSteps, beyondEndSteps, sides, follows };
    }
    const { side, size, count } = decision.move;
    sides.push(side);
    const isRefused = lens.refusing > 0 && random.uniform() < lens.refusing;
    const wanted = at + side * count * lens.lengths[size] * (isRefused ? random.uniform() : 1);
    at = Math.min(lens.ends[1], Math.max(lens.ends[0], wanted));
    group = Math.min(at + half, Math.max(at - half, group));
    furthestSteps = Math.max(furthestSteps, Math.abs(at));
    // Less is rounding.
    const beyondSteps = Math.abs(wanted - at) > 1e-6 ? Math.abs(wanted - at) : 0;
    if (told[side]) beyondEndSteps = Math.max(beyondEndSteps, beyondSteps);
    told[side] ||= beyondSteps > 0 && lens.tellsEnds;
    outcome = beyondSteps > 0 && lens.tellsEnds ? 'at-limit' : isRefused ? 'refused' : 'done';
  }
  throw new Error('the loop does not end');
}
