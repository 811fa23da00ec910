import type { FocusDrive, Move } from '../core/camera/drive.ts';
import { FocusMotor, type MotorFailure, type MotorLearned, type MoveOutcome } from '../core/guide/motor.ts';
import { sightSince } from '../core/guide/motorSight.ts';
import { api, HostError } from './api.ts';
import type { Session } from './session.ts';

export type MotorEnd = 'in-focus' | 'stopped' | 'no-pictures' | MotorFailure;

export interface MotorState {
  phase: 'looking' | 'moving' | 'ended';
  /** With 'ended'. */
  end: MotorEnd | null;
  moves: number;
  learned: MotorLearned;
}

/** No picture for so long: nothing is moved blindly. */
const STALE_MS = 5000;
/** The loop is looked after at least so often, also while no frame comes. */
const TICK_MS = 250;

/**
 * One run of the focus motor: sees the track, asks the loop, sends its moves, one at a time. A page that is
 * busy, hidden or gone sends none; what is under way is bounded, and the host breaks it off with the connection.
 */
export class MotorRun {
  #state: MotorState;
  readonly #session: Session;
  readonly #drive: FocusDrive;
  readonly #motor: FocusMotor;
  readonly #tell: (state: MotorState) => void;
  readonly #stopListening: () => void;
  readonly #timer: ReturnType<typeof setInterval>;
  #sending: AbortController | null = null;
  #outcome: MoveOutcome = 'done';
  #sinceMs = Date.now();
  #tolerancePx: number | null = null;

  constructor(session: Session, drive: FocusDrive, travelSteps: number, tell: (state: MotorState) => void) {
    this.#session = session;
    this.#drive = drive;
    this.#motor = new FocusMotor(drive.sizes, { ...drive, travelSteps });
    this.#tell = tell;
    this.#state = { phase: 'looking', end: null, moves: 0, learned: this.#motor.learned };
    this.#stopListening = session.subscribe(() => this.#look());
    this.#timer = setInterval(() => this.#look(), TICK_MS);
    tell(this.#state);
  }

  /** At once, whatever it is doing; may be called again. */
  stop(): void {
    this.#end('stopped');
  }

  #look(): void {
    if (this.#state.phase !== 'looking') return;
    const { track, instruction } = this.#session.state;
    const nowMs = Date.now();
    if (!track || nowMs - track.timeMs > STALE_MS) {
      if (nowMs - this.#sinceMs > STALE_MS) this.#end('no-pictures');
      return;
    }
    if ('aim' in instruction) this.#tolerancePx = instruction.aim.tolerancePx;
    const sight = sightSince(track, this.#tolerancePx ?? 1, this.#sinceMs, nowMs);
    if (sight === 'wait') return;
    const decision = this.#motor.next(sight, this.#outcome);
    if (decision.kind === 'stop') this.#end(decision.reason);
    else void this.#send(decision.move);
  }

  async #send(move: Move): Promise<void> {
    const sending = new AbortController();
    this.#sending = sending;
    this.#set({ phase: 'moving' });
    const writes = this.#drive.writes(move);
    let isStopped = false;
    try {
      // Somebody may have stopped it from another page.
      isStopped = (await api.drive(writes, sending.signal)) < writes.length;
      this.#outcome = 'done';
    } catch (error) {
      this.#outcome = error instanceof HostError && error.code === 'at-limit' ? 'at-limit' : 'refused';
    }
    this.#sending = null;
    this.#sinceMs = Date.now();
    if (isStopped) this.#end('stopped');
    if (this.#state.phase === 'moving') this.#set({ phase: 'looking' });
  }

  #end(end: MotorEnd): void {
    if (this.#state.phase === 'ended') return;
    clearInterval(this.#timer);
    this.#stopListening();
    if (this.#sending) {
      // Either would do: the host stops when told, and when the connection is cut.
      this.#sending.abort();
      api.stopSequence().catch(() => {});
    }
    this.#set({ phase: 'ended', end });
  }

  #set(change: Partial<MotorState>): void {
    this.#state = { ...this.#state, ...change, moves: this.#motor.moves, learned: this.#motor.learned };
    this.#tell(this.#state);
  }
}
