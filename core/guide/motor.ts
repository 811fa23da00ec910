/**
 * Focus by motor: a closed loop that sees where focus stands after each move and asks for the next
 * one. It learns the motor's gain and play from its own moves, comes in from one side, so that the
 * play is taken up when it arrives, stops inside the depth of focus, and gives up with a reason.
 *
 * Positions are in bands: offset over the half width of the depth of focus, so that |position| < 1 is
 * in focus, whatever the lens. Moves are in presses of the motor's step sizes (core/camera/drive.ts).
 *
 * Model: position = gain · (where the lens stands), and the lens follows the motor with play, as in a
 * gear: after a change of direction the first part of the way is lost.
 * How far it may go is told by way.ts.
 */
import type { Move, StepSize } from '../camera/drive.ts';
import { type Change, changed, type Gain, opposite, SAFE_SIGMAS, UNEVEN, Way } from './way.ts';

/** Where focus stands, seen at rest after the latest move. */
export interface Sight {
  /** Bands; its sign is the offset's. */
  position: number;
  /** One standard deviation. */
  sigma: number;
}

/** What became of a move. 'at-limit': the motor ran into its end. 'refused': nothing moved, or only a part. */
export type MoveOutcome = 'done' | 'at-limit' | 'refused';

export type MotorFailure =
  /** Moves change nothing that can be told from noise. */
  | 'no-response'
  /** The pattern is not seen any more, also after two steps back. */
  | 'star-lost'
  /** Focus lies beyond the motor's end. */
  | 'at-limit'
  /** Focus lies further away than the motor may go. */
  | 'too-far'
  /** The smallest step is larger than the depth of focus. */
  | 'too-coarse'
  /** Near focus, but what is seen is too uncertain to call. */
  | 'too-uncertain'
  /** Moves do not do what the ones before taught. */
  | 'not-converging'
  /** The camera takes no commands. */
  | 'refused';

export type MotorDecision = { kind: 'move'; move: Move } | { kind: 'stop'; reason: 'in-focus' | MotorFailure };

/** What the moves have taught so far. */
export interface MotorLearned {
  /** Bands per smallest step, without sign; null until known. */
  bandsPerStep: number | null;
  /** Smallest steps lost when the direction changes; null until it has changed. */
  playSteps: number | null;
}

export interface MotorOptions {
  /** Furthest that the motor may truly go from where it stood at the start, in smallest steps, to either side. */
  travelSteps: number;
  /** First try to find the direction, in smallest steps. */
  firstSteps: number;
}

/** After so many moves it is not going to arrive. */
export const MOST_MOVES = 60;
/** σ from which a change counts as the motor's doing, and from the band's edge for focus to be sure. */
const RESPONSE_SIGMAS = 5;
const SURE_SIGMAS = 2;
/** Largest σ with which focus can be called. */
const LARGEST_SIGMA = 0.4;
/** Inside this part of the band no further step is worth it. */
const CENTRAL = 0.5;
/** Relative σ of a gain after the first response. */
const PROVISIONAL = 0.8;
/** Relative σ with which a first gain is taken. */
const SURELY = 1 / 3;
/** How far to go back before a new approach, beyond the play, bands. */
const CLEARANCE = 3;
/** Largest change that one move may be meant to make, bands. */
const LARGEST_CHANGE = 40;
/** Play beyond this is none, bands. */
const LARGEST_PLAY = 60;
/** While the play is not known, such a part of the way gone in vain since the direction changed may be lost once more. */
const VAIN = 0.2;
/** Moves without response, wrong answers or refusals in a row until something is concluded from them. */
const PATIENCE = 3;
export class FocusMotor {
  readonly #sizes: readonly StepSize[];
  readonly #firstSteps: number;
  readonly #way: Way;
  #moves = 0;
  readonly #gains: (Gain | null)[];
  /** Bands lost when the direction changes; null until that has been seen. */
  #play: number | null = null;
  /** Side of the latest move, and whether the lens follows it: the play is taken up. */
  #side: 1 | -1 = 1;
  #follows = false;
  /** Since the direction changed: where focus stood then, and presses of each size. */
  #since: { from: Sight; presses: number[] } | null = null;
  /** Side to which the motor moves into focus; null until the direction is known. */
  #approach: 1 | -1 | null = null;
  /** Moved back, and not yet seen clear of focus: focus is not approached from the one side. */
  #backingOff = false;
  /** What was seen before the latest move, and that move until it has been learned from. */
  #before: Sight | null = null;
  #latest: Move | null = null;
  /** Way back to where the star was last seen. */
  #wayBack: Move[] | null = null;
  #troubles = { deaf: 0, wrong: 0, refused: 0 };
  /** Part of the usual move to make: less after trouble. */
  #caution = 1;

  constructor(sizes: readonly StepSize[], { travelSteps, firstSteps }: MotorOptions) {
    this.#sizes = sizes;
    this.#firstSteps = firstSteps;
    this.#way = new Way(sizes, travelSteps);
    this.#gains = sizes.map(() => null);
  }

  get learned(): MotorLearned {
    const gain = this.#gainOf(0);
    const bandsPerStep = gain && Math.abs(gain.value);
    return { bandsPerStep, playSteps: bandsPerStep && this.#play !== null ? this.#play / bandsPerStep : null };
  }

  /** Moves asked for so far. */
  get moves(): number {
    return this.#moves;
  }

  /**
   * What to do now that the lens is at rest after the latest move.
   * @param sight null when the pattern has not been seen for long
   * @param outcome what became of the latest move
   */
  next(sight: Sight | null, outcome: MoveOutcome = 'done'): MotorDecision {
    if (outcome !== 'refused') this.#troubles.refused = 0;
    else if (++this.#troubles.refused === PATIENCE) return stop('refused');
    else this.#takeBack();
    if (outcome === 'at-limit' && this.#latest) this.#meetEnd(this.#latest);
    const decision = sight ? this.#goOn(sight, outcome) : this.#searchStar();
    return decision.kind === 'move' && this.#moves > MOST_MOVES ? stop('not-converging') : decision;
  }

  #goOn(sight: Sight, outcome: MoveOutcome): MotorDecision {
    this.#wayBack = null;
    const trouble = this.#learn(sight, outcome === 'at-limit');
    if (trouble) return stop(trouble);
    this.#before = sight;
    const distance = Math.abs(sight.position);
    const isSure = distance + SURE_SIGMAS * sight.sigma < 1;
    if (isSure && this.#hasArrived(sight) && !this.#canImprove(sight)) return stop('in-focus');
    if (distance < 1 && sight.sigma > LARGEST_SIGMA) return stop('too-uncertain');
    const gain = this.#gainOf(0);
    if (!gain) return this.#probe();
    if (gain.relative === PROVISIONAL) return this.#again();
    if (Math.abs(gain.value) * (1 - 2 * gain.relative) > 2) return stop('too-coarse');
    const side = sight.position * gain.value > 0 ? -1 : 1;
    this.#approach ??= side;
    if (side !== this.#approach || (this.#backingOff && distance < CLEARANCE / 2)) return this.#backOff(sight);
    this.#backingOff = false;
    // What surely does no harm: where that falls short of focus the next move makes up for it.
    return this.#travel(side, distance, 0.8 * this.#playAhead(side));
  }

  /** Whether it has come in from the one side, and the lens with it: the play is taken up. */
  #hasArrived(sight: Sight): boolean {
    if (this.#backingOff) return false;
    if (!this.#approach || this.#isFollowing(this.#approach)) return true;
    if (!this.#since) return false;
    const { bands, sigma } = changed(this.#since.from, sight);
    return Math.abs(bands) > SAFE_SIGMAS * sigma;
  }

  /** Inside the band, but a step in the direction it came in would bring it nearer the middle. */
  #canImprove({ position }: Sight): boolean {
    const gain = this.#gainOf(0);
    if (!gain || !this.#approach || !this.#isFollowing(this.#approach)) return false;
    const isShort = position * gain.value * this.#approach < 0;
    return isShort && Math.abs(position) > CENTRAL && Math.abs(gain.value) < Math.abs(position);
  }

  /** Nothing is known of the motor: to one side, twice as far each time, until something changes. */
  #probe(): MotorDecision {
    if (this.#way.isEnd(1) && this.#way.isEnd(-1)) return stop('no-response');
    const side = this.#way.isEnd(this.#side) ? opposite(this.#side) : this.#side;
    const gone = side === this.#side ? this.#sinceTurn((size) => this.#sizes[size].nominal) : 0;
    const steps = Math.max(this.#firstSteps, gone);
    const counts = this.#sizes.map(({ nominal }, i) => (i === 0 || 2 * nominal <= steps ? steps / nominal : 0));
    return this.#send(side, counts.map(Math.round), 'no-response');
  }

  /** Part of the first move that changed something went into the play: the same again tells the whole gain. */
  #again(): MotorDecision {
    const size = this.#gains.findIndex((gain) => gain !== null);
    const steps = ((this.#since?.presses[size] || 1) / 2) * this.#sizes[size].nominal;
    const counts = this.#sizes.map(({ nominal }, i) => (i <= size ? Math.ceil(steps / nominal) : 0));
    return this.#send(this.#side, counts, 'too-far');
  }

  /** Beyond focus: back past it, by the play and some more, to come in again from the one side. */
  #backOff({ position }: Sight): MotorDecision {
    this.#backingOff = true;
    const back = opposite(this.#approach!);
    const beyond = position * this.#gainOf(0)!.value * this.#approach!;
    const bands = Math.max(1, Math.sign(beyond) * Math.abs(position) + CLEARANCE);
    return this.#travel(back, bands, this.#playAhead(back));
  }

  /** A move of at most `bands`, however uncertain the gain, and what the play takes of it. */
  #travel(side: 1 | -1, bands: number, lost: number): MotorDecision {
    const wanted = this.#caution * Math.min(bands, LARGEST_CHANGE) + lost;
    const counts = this.#sizes.map((_, size) => {
      const { value, relative } = this.#gainOf(size)!;
      return Math.floor(wanted / (Math.abs(value) * (1 + 2 * relative)));
    });
    return this.#send(side, [Math.max(1, counts[0]), ...counts.slice(1)], 'too-far');
  }

  /**
   * Asks for a move with the largest size that will do, cut to what the way and the motor allow.
   * @param counts presses of each size that would do
   */
  #send(side: 1 | -1, counts: readonly number[], otherwise: MotorFailure): MotorDecision {
    for (let size = counts.length - 1; size >= 0; size--) {
      const room = this.#way.room(side, size, this.#isFollowing(side));
      const count = Math.min(counts[size], this.#sizes[size].most, room);
      if (count < 1) continue;
      if (side !== this.#side || !this.#since) {
        this.#since = this.#before && { from: this.#before, presses: this.#sizes.map(() => 0) };
        this.#follows = this.#follows && side === this.#side;
      }
      this.#side = side;
      return this.#count({ side, size, count });
    }
    return stop(this.#way.isEnd(side) ? 'at-limit' : otherwise);
  }

  #count(move: Move): MotorDecision {
    this.#latest = move;
    this.#moves++;
    this.#way.go(move);
    if (this.#since) this.#since.presses[move.size] += move.count;
    return { kind: 'move', move };
  }

  /** A refused move counts as not made, but a part of it may have been. */
  #takeBack(): void {
    const move = this.#latest!;
    this.#way.doubt(move);
    if (this.#since) this.#since.presses[move.size] -= move.count;
    this.#latest = null;
  }

  #meetEnd(move: Move): void {
    this.#way.doubt(move);
    this.#way.meetEnd(move.side);
  }

  /** What the latest move has changed, and what that teaches; a reason to give up, or null. */
  #learn(sight: Sight, atLimit: boolean): MotorFailure | null {
    const [before, move] = [this.#before, this.#latest];
    this.#latest = null;
    if (!move || !before) return null;
    const change = changed(before, sight);
    const responded = Math.abs(change.bands) > RESPONSE_SIGMAS * change.sigma;
    // How much of a move into the end was done is not known.
    if (atLimit) {
      this.#follows ||= responded;
      return null;
    }
    if (this.#follows) {
      this.#way.learn(move, before, sight);
      return this.#learnGain(move, change);
    }
    if (!responded) return this.#gainOf(0) && this.#travelledBands() > LARGEST_PLAY ? this.#wonder(move, false) : null;
    this.#follows = true;
    if (!this.#gainOf(0))
      this.#gains[move.size] = { value: change.bands / (move.side * move.count), relative: PROVISIONAL };
    else if (this.#since) this.#learnTurn(this.#since, Math.abs(changed(this.#since.from, sight).bands));
    return null;
  }

  /** The lens has turned, too: what is missing of the way went into the play; where nothing is, the gains are larger. */
  #learnTurn({ presses }: { presses: number[] }, bands: number): void {
    const gone = this.#travelledBands();
    const play = Math.max(0, gone - bands);
    this.#play = this.#play === null ? play : (this.#play + play) / 2;
    if (bands <= gone) return;
    for (const [size, count] of presses.entries()) {
      const { value, relative } = this.#gainOf(size)!;
      if (count > 0) this.#gains[size] = { value: (value * bands) / gone, relative };
    }
  }

  /** A move with the play taken up. */
  #learnGain(move: Move, { bands, sigma }: Change): MotorFailure | null {
    const presses = move.side * move.count;
    const known = this.#gains[move.size];
    const expected = known && known.value * presses;
    if (expected && Math.abs(expected) > 2 * RESPONSE_SIGMAS * sigma) {
      const share = bands / expected;
      if (share < 0.2) return this.#wonder(move, share * Math.abs(expected) < -RESPONSE_SIGMAS * sigma);
    }
    this.#troubles.deaf = 0;
    this.#caution = 1;
    const value = bands / presses;
    const relative = Math.max(UNEVEN, sigma / Math.max(Math.abs(bands), 1e-9));
    if (!known || known.relative === PROVISIONAL) {
      // From noise alone not even the sign would be right.
      const isClear = relative < SURELY && value * this.#gainOf(move.size)!.value > 0;
      if (isClear) this.#gains[move.size] = { value, relative };
      return null;
    }
    // Weighted mean of bands per press; what is older counts less, since a gain is not the same everywhere.
    const old = 0.7 / (known.relative * known.value) ** 2;
    const fresh = 1 / ((sigma / move.count) ** 2 + (UNEVEN * known.value) ** 2);
    const mean = (old * known.value + fresh * value) / (old + fresh);
    if (mean * known.value > 0)
      this.#gains[move.size] = { value: mean, relative: Math.max(UNEVEN, (old + fresh) ** -0.5 / Math.abs(mean)) };
    return null;
  }

  /** A move did nothing, or the wrong thing, against all that was learned: smaller ones, then a conclusion. */
  #wonder(move: Move, wrongWay: boolean): MotorFailure | null {
    this.#caution = 0.5;
    if (wrongWay) {
      this.#follows = false;
      return ++this.#troubles.wrong === PATIENCE ? 'not-converging' : null;
    }
    this.#way.doubt(move);
    if (++this.#troubles.deaf < PATIENCE) return null;
    this.#way.meetEnd(move.side);
    return this.#follows ? null : 'no-response';
  }

  /** Bands per press of a size, by the nominal lengths where it has not been tried; null while nothing is known. */
  #gainOf(size: number): Gain | null {
    const own = this.#gains[size];
    if (own) return own;
    const tried = this.#gains.findIndex((gain) => gain !== null);
    if (tried < 0) return null;
    const { value, relative } = this.#gains[tried]!;
    const ratio = this.#sizes[size].nominal / this.#sizes[tried].nominal;
    return { value: value * ratio, relative: Math.max(relative, PROVISIONAL - UNEVEN) };
  }

  /** Way commanded since the direction changed, bands. */
  #travelledBands(): number {
    return this.#sinceTurn((size) => Math.abs(this.#gainOf(size)!.value));
  }

  /** The same by any measure of the sizes. */
  #sinceTurn(lengthOf: (size: number) => number): number {
    return this.#since?.presses.reduce((sum, count, size) => sum + count * lengthOf(size), 0) ?? 0;
  }

  /** What the play is still going to take of the next move to a side, bands. */
  #playAhead(side: 1 | -1): number {
    if (this.#isFollowing(side)) return 0;
    const gone = side === this.#side ? this.#travelledBands() : 0;
    return this.#play === null ? VAIN * gone : Math.max(0, this.#play - gone);
  }

  #isFollowing(side: 1 | -1): boolean {
    return this.#follows && this.#side === side;
  }

  /** Nothing is seen any more: half of the latest move back, then the other half; then it is lost. */
  #searchStar(): MotorDecision {
    const { side, size, count } = this.#latest ?? { side: 1, size: 0, count: 0 };
    const half = Math.ceil(count / 2);
    this.#backingOff = true;
    this.#wayBack ??= [half, count - half]
      .filter((part) => part > 0)
      .map((part) => ({ side: opposite(side as 1 | -1), size, count: part }));
    const back = this.#wayBack.shift();
    if (!back) return stop('star-lost');
    this.#before = null;
    this.#since = null;
    this.#follows = false;
    this.#caution = 0.25;
    const counts = this.#sizes.map((_, i) => (i === back.size ? back.count : 0));
    return this.#send(back.side, counts, 'star-lost');
  }
}

function stop(reason: 'in-focus' | MotorFailure): MotorDecision {
  return { kind: 'stop', reason };
}
