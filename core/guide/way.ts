/**
 * How far the focus motor may go. It is counted in the smallest steps; how many of them the other sizes make is learned on the
 * way, and taken with care before.
 */
import type { Move, StepSize } from '../camera/drive.ts';
import type { Sight } from './motor.ts';

/** A gain differs by so much from place to place, relative σ. */
export const UNEVEN = 0.1;
/** σ beyond which what was seen is no accident, also where many looks are taken. */
export const SAFE_SIGMAS = 3;
/** A size not yet measured is up to so many times longer or shorter than nominal (cautious, no source). */
const UNMEASURED = 2.5;
/** Largest relative σ of gains that measure a length; and places so far apart differ by UNEVEN, bands. */
const MEASURING = 0.1;
const UNEVEN_BANDS = 20;
/** A length is measured anew only where that is so much closer: the closest of many may be so by luck. */
const CLOSER = 0.8;
/** Part of the way that sizes not yet measured leave for that: where the lens follows, and where it is in the play. */
const RESERVE = 1 / 4;
const RESERVE_IN_PLAY = 1 / 2;

export interface Gain {
  /** Bands per press to side +1, signed. */
  value: number;
  /** Relative standard deviation. */
  relative: number;
}

interface SeenGain extends Gain {
  /** Where it was seen, bands. */
  position: number;
}

/**
 * Presses of one size made one after the other with the play taken up, and what was seen before and after them: a small
 * size tells little in one move.
 */
interface Streak extends Move {
  from: Sight;
  to: Sight;
}

/** Smallest steps in a press. */
interface Length {
  least: number;
  most: number;
}

/** How far the motor may go to one side. */
interface Reach {
  /** From the start; 0 from the motor's end, once that is met. */
  limitSteps: number;
  isEnd: boolean;
  /** Presses of each size since then, net to this side: the most that can have been made. */
  presses: number[];
}

/**
 * How far the motor may go, whatever lengths its sizes have: the way to a side counts as the longest that it can have
 * been, the way back as the shortest. Presses are kept, so that a length, once measured, serves for those before, too.
 */
export class Way {
  readonly #reach: Record<1 | -1, Reach>;
  /** As nominal, give or take much; and as measured. */
  readonly #nominal: readonly Length[];
  readonly #measured: (Length | null)[];
  #streak: Streak | null = null;
  /** Latest gain of each size that was seen well. */
  readonly #gains: (SeenGain | null)[];

  constructor(sizes: readonly StepSize[], travelSteps: number) {
    const reach = () => ({ limitSteps: travelSteps, isEnd: false, presses: sizes.map(() => 0) });
    this.#reach = { '-1': reach(), 1: reach() };
    this.#nominal = sizes.map(({ nominal }, size) => around(nominal / sizes[0].nominal, size === 0 ? 1 : UNMEASURED));
    this.#measured = sizes.map(() => null);
    this.#gains = sizes.map(() => null);
  }

  /** Whether the motor's own end has been met there. */
  isEnd(side: 1 | -1): boolean {
    return this.#reach[side].isEnd;
  }

  go({ side, size, count }: Move): void {
    this.#reach[side].presses[size] += count;
    this.#reach[opposite(side)].presses[size] -= count;
  }

  /** A move may not have been made, or only in part: the way back may be shorter by as much. */
  doubt({ side, size, count }: Move): void {
    this.#reach[opposite(side)].presses[size] += count;
  }

  /** The motor stands at its end. */
  meetEnd(side: 1 | -1): void {
    this.#reach[side] = { limitSteps: 0, isEnd: true, presses: this.#nominal.map(() => 0) };
  }

  /** Presses of a size that do not lead beyond the limit or the end. */
  room(side: 1 | -1, size: number, isFollowing: boolean): number {
    const { limitSteps, isEnd, presses } = this.#reach[side];
    const isMeasured = size === 0 || this.#measured[size];
    const reserve = isMeasured ? 0 : isFollowing ? RESERVE : RESERVE_IN_PLAY;
    const lengths = presses.map((_, i) => this.#length(i, isEnd));
    const gone = presses.map((count, i) => count * (count > 0 ? lengths[i].most : lengths[i].least));
    const others = gone.reduce((sum, steps, i) => (i === size ? sum : sum + steps), 0);
    const left = limitSteps * (1 - reserve) - others;
    const { least, most } = lengths[size];
    return Math.floor(left / (left > 0 ? most : least)) - presses[size];
  }

  /** How long a size may be; before the motor's end a measure further out than its σ must do no harm either. */
  #length(size: number, atEnd: boolean): Length {
    const [nominal, measured] = [this.#nominal[size], this.#measured[size]];
    if (!measured || !atEnd) return measured ?? nominal;
    return { least: Math.min(nominal.least, measured.least), most: Math.max(nominal.most, measured.most) };
  }

  /** A move with the play taken up: how a size's gain compares with the smallest one's tells how long it is. */
  learn(move: Move, from: Sight, to: Sight): void {
    const last = this.#streak;
    const goesOn = last?.to === from && last.side === move.side && last.size === move.size;
    this.#streak = goesOn ? { ...last, count: last.count + move.count, to } : { ...move, from, to };
    const gain = gainOver(this.#streak);
    if (gain.relative > MEASURING) return;
    this.#gains[move.size] = gain;
    const [smallest, ...others] = this.#gains;
    for (const [i, own] of others.entries()) if (smallest && own) this.#measure(i + 1, smallest, own);
  }

  #measure(size: number, smallest: SeenGain, own: SeenGain): void {
    const uneven = (UNEVEN * Math.abs(own.position - smallest.position)) / UNEVEN_BANDS;
    const factor = Math.exp(SAFE_SIGMAS * Math.hypot(own.relative, smallest.relative, uneven));
    const { least, most } = this.#measured[size] ?? this.#nominal[size];
    if (factor < CLOSER * Math.sqrt(most / least))
      this.#measured[size] = around(Math.abs(own.value / smallest.value), factor);
  }
}

/** What was seen to change. */
export interface Change {
  bands: number;
  sigma: number;
}

export function changed(from: Sight, to: Sight): Change {
  return { bands: to.position - from.position, sigma: Math.hypot(to.sigma, from.sigma) };
}

function gainOver({ side, count, from, to }: Streak): SeenGain {
  const { bands, sigma } = changed(from, to);
  return {
    value: bands / (side * count),
    relative: sigma / Math.max(Math.abs(bands), 1e-9),
    position: (from.position + to.position) / 2,
  };
}

function around(length: number, factor: number): Length {
  return { least: length / factor, most: length * factor };
}

export function opposite(side: 1 | -1): 1 | -1 {
  return side === 1 ? -1 : 1;
}
