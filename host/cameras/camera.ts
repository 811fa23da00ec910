import { fork } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { isAction } from '../../core/camera/roles.ts';
import type { Frame } from '../../core/frame.ts';
import type { CameraMessage } from '../api.ts';
import type { CameraInfo, CameraRequests, ErrorMessage, FromCamera, RequestName, ToCamera } from './messages.ts';
import { CameraError, type ConfigValue } from './source.ts';

/** One running camera process, however it is made. */
export interface CameraProcess {
  readonly pid?: number;
  send(message: ToCamera): void;
  /** Ends it at once. */
  kill(): void;
}

/** Starts a camera process; `onExit` is called once, however it ends. */
export type Launch = (onMessage: (message: FromCamera) => void, onExit: () => void) => CameraProcess;

/** As a child process of Node. Its own messages go nowhere unless NIGHTRING_DEBUG is set. */
export const forkProcess: Launch = (onMessage, onExit) => {
  const child = fork(fileURLToPath(new URL('./child.ts', import.meta.url)), {
    serialization: 'advanced',
    stdio: ['ignore', 'ignore', process.env.NIGHTRING_DEBUG ? 'inherit' : 'ignore', 'ipc'],
  });
  child.on('message', onMessage);
  child.once('exit', onExit);
  // One that could not be started at all never exits.
  child.on('error', () => (child.pid === undefined ? onExit() : child.kill('SIGKILL')));
  return {
    pid: child.pid,
    send: (message) => child.connected && child.send(message, () => {}),
    kill: () => child.kill('SIGKILL'),
  };
};

/** How long what may take, ms but for the waits. */
export const CLOCKS = {
  /** Silence of the process that counts as hanging; it sends a sign of life every second. */
  silenceMs: 10_000,
  /** From start to running; slow machines take a while. */
  openMs: 60_000,
  /** A live view that shows nothing for so long has stalled. */
  stallMs: 10_000,
  answerMs: 60_000,
  /** Half a minute's exposure, its dark frame, and the way through the cable. */
  captureMs: 180_000,
  closeMs: 3000,
  /** For a process that has ended its camera by itself to leave it in good order; shorter than any wait for the next. */
  leaveMs: 800,
  /** Waits before the next start, s; the last one repeats. */
  backoffS: [1, 2, 4, 8],
  /** A second of the countdown. */
  secondMs: 1000,
  /** A camera that ran for so long starts again with the shortest wait. */
  stableMs: 15_000,
};
export type Clocks = typeof CLOCKS;
/** Nothing a new start could mend. */
const FINAL = new Set(['unsupported', 'missing-library']);

/**
 * A camera in its own process: asks it for frames one at a time (the latest wins, none queue), and
 * when the process crashes, hangs or loses the camera, starts another with the same settings.
 */
export class Camera {
  readonly name: string;
  #status: CameraMessage;
  readonly #onStatus: (status: CameraMessage) => void;
  readonly #launch: Launch;
  readonly #clocks: Clocks;
  #process: CameraProcess | null = null;
  #closed = false;
  #runningSinceMs: number | null = null;
  #failures = 0;
  #watchdog: NodeJS.Timeout | undefined;
  #retry: NodeJS.Timeout | undefined;
  #waiting: ((frame: Frame | null) => void)[] = [];
  readonly #pending = new Map<number, { resolve(value: unknown): void; reject(error: CameraError): void }>();
  #requestId = 0;
  /** What was set, to be set again after a restart, and the body it was set on. */
  readonly #settings = new Map<string, string>();
  #identity: string | null = null;
  /** Something was plugged in while it was being opened. */
  #mayBeBack = false;
  /** Frames dropped and numbered by processes that have ended. */
  #droppedBefore = 0;
  #sequenceBase = 0;
  #nextSequence = 0;

  constructor(
    name: string,
    onStatus: (status: CameraMessage) => void = () => {},
    launch: Launch = forkProcess,
    clocks: Clocks = CLOCKS,
  ) {
    this.name = name;
    this.#onStatus = onStatus;
    this.#launch = launch;
    this.#clocks = clocks;
    this.#status = { type: 'camera', state: 'starting', name, message: '', delivered: 0, dropped: 0 };
    this.#start();
  }

  get status(): CameraMessage {
    return this.#status;
  }

  /** The latest frame not yet delivered, or the next to come; null when the camera ended or is closed. Callers share. */
  nextFrame(): Promise<Frame | null> {
    if (this.#closed) return Promise.resolve(null);
    return new Promise((resolve) => {
      this.#waiting.push(resolve);
      if (this.#waiting.length === 1) this.#process?.send({ type: 'next' });
    });
  }

  /** @throws CameraError */
  readConfig(): Promise<ConfigValue[]> {
    return this.#request('readConfig');
  }

  /**
   * Sets a value now and, where that is no single action, again after every restart.
   * @param once it is one, though its name does not tell
   * @throws CameraError
   */
  async writeConfig(name: string, value: string, once = false): Promise<void> {
    await this.#request('writeConfig', name, value);
    if (once || isAction(name)) return;
    this.#settings.delete(name); // in the order they were set last: some bodies want the place first, some the magnification
    this.#settings.set(name, value);
  }

  /** Takes a still; it is numbered among the frames. @throws CameraError */
  async capture(): Promise<Frame> {
    return this.#numbered(await this.#request('capture'));
  }

  /** Tries at once, where it is lost and would wait, or not try again. */
  retryNow(): void {
    this.#mayBeBack = this.#status.state === 'starting';
    if (this.#closed || this.#status.state !== 'lost') return;
    clearTimeout(this.#retry);
    this.#restart();
  }

  /** Ends the process; frames asked for come as null. */
  async close(): Promise<void> {
    if (this.#closed) return;
    const process = this.#process;
    if (process) await within(this.#clocks.closeMs, this.#request('close')).catch(() => {});
    this.#finish();
    process?.kill();
  }

  #restart(): void {
    this.#runningSinceMs = null;
    this.#update({ state: 'starting', retryInS: undefined }); // what was wrong stays said until it runs
    if (!this.#closed) this.#start(); // whoever was told may have closed it
  }

  #start(): void {
    const process = this.#launch(
      (message) => this.#process === process && this.#receive(message),
      () => this.#process === process && this.#lose({ code: 'lost', message: 'the camera process ended by itself' }),
    );
    this.#process = process;
    this.#expectLife(this.#clocks.openMs);
    const { stallMs } = this.#clocks;
    process.send({ type: 'open', name: this.name, identity: this.#identity, settings: [...this.#settings], stallMs });
    if (this.#waiting.length > 0) process.send({ type: 'next' });
  }

  #receive(message: FromCamera): void {
    if (message.type === 'running') this.#runningSinceMs = performance.now();
    // A driver may hang in its own thread while the process still gives signs of life: opening has one limit.
    if (this.#runningSinceMs !== null) this.#expectLife(this.#clocks.silenceMs);
    switch (message.type) {
      case 'running':
        if (message.identity !== this.#identity && this.#identity !== null) this.#settings.clear();
        this.#identity = message.identity;
        this.#mayBeBack = false;
        this.#update({ state: 'running', message: '' });
        break;
      case 'frame':
        this.#pass(message.frame, message.dropped);
        break;
      case 'ended':
        if (message.error) this.#lose(message.error, true);
        else this.close();
        break;
      case 'answer':
        this.#pending.get(message.id)?.resolve(message.answer);
        break;
      case 'refusal':
        this.#pending.get(message.id)?.reject(new CameraError(message.error.code, message.error.message));
        break;
    }
  }

  #pass(frame: Frame, dropped: number): void {
    const numbered = this.#numbered(frame);
    this.#update({ delivered: this.#status.delivered + 1, dropped: this.#droppedBefore + dropped });
    const waiting = this.#waiting;
    this.#waiting = [];
    for (const resolve of waiting) resolve(numbered);
  }

  /** Numbers go on when the process is replaced. */
  #numbered(frame: Frame): Frame {
    const sequence = this.#sequenceBase + frame.sequence;
    this.#nextSequence = Math.max(this.#nextSequence, sequence + 1);
    return { ...frame, sequence };
  }

  #expectLife(limitMs: number): void {
    clearTimeout(this.#watchdog);
    this.#watchdog = setTimeout(
      () => this.#lose({ code: 'timeout', message: 'the camera hangs; if it goes on, switch it off and on' }),
      limitMs,
    );
  }

  /** @param answers the process still does what it is told */
  #lose(error: ErrorMessage, answers = false): void {
    if (this.#closed) return;
    const process = this.#process;
    this.#process = null;
    clearTimeout(this.#watchdog);
    if (process && answers) {
      // A body left in the middle of a session may keep its dials locked, just when one is to be turned.
      process.send({ type: 'request', id: ++this.#requestId, name: 'close', args: [] });
      setTimeout(() => process.kill(), this.#clocks.leaveMs);
    } else process?.kill();
    this.#refuseAll(new CameraError('lost', error.message));
    this.#droppedBefore = this.#status.dropped;
    this.#sequenceBase = this.#nextSequence;
    if (this.#runningSinceMs !== null && performance.now() - this.#runningSinceMs > this.#clocks.stableMs)
      this.#failures = 0;
    if (FINAL.has(error.code)) {
      this.#update({ state: 'lost', message: error.message, code: error.code });
      return;
    }
    const { backoffS, secondMs } = this.#clocks;
    const waitS = backoffS[this.#mayBeBack ? 0 : Math.min(this.#failures++, backoffS.length - 1)];
    this.#mayBeBack = false;
    const countDown = (retryInS: number) => {
      if (retryInS === 0) {
        this.#restart();
        return;
      }
      this.#update({ state: 'lost', message: error.message, code: error.code, retryInS });
      if (this.#closed) return; // by whoever was told
      this.#retry = setTimeout(() => countDown(retryInS - 1), secondMs);
    };
    countDown(waitS);
  }

  #request<N extends RequestName>(name: N, ...args: CameraRequests[N]['args']): Promise<CameraRequests[N]['answer']> {
    const process = this.#process;
    if (!process) return Promise.reject(new CameraError('lost', this.#status.message || 'the camera is closed'));
    const id = ++this.#requestId;
    const answer = new Promise<unknown>((resolve, reject) => this.#pending.set(id, { resolve, reject }));
    process.send({ type: 'request', id, name, args });
    return within(name === 'capture' ? this.#clocks.captureMs : this.#clocks.answerMs, answer).finally(() =>
      this.#pending.delete(id),
    ) as Promise<CameraRequests[N]['answer']>;
  }

  #refuseAll(error: CameraError): void {
    for (const { reject } of this.#pending.values()) reject(error);
    this.#pending.clear();
  }

  #finish(): void {
    this.#closed = true;
    this.#process = null;
    clearTimeout(this.#watchdog);
    clearTimeout(this.#retry);
    this.#refuseAll(new CameraError('closed', 'the camera was closed'));
    for (const resolve of this.#waiting) resolve(null);
    this.#waiting = [];
    this.#update({ state: 'none', message: '', retryInS: undefined });
  }

  #update(change: Partial<CameraMessage>): void {
    this.#status = { ...this.#status, ...change };
    if (!['lost', 'starting'].includes(this.#status.state)) delete this.#status.code;
    this.#onStatus(this.#status);
  }
}

/** Cameras there are now, asked in a process of its own. @throws CameraError */
export async function findCameras(launch: Launch = forkProcess): Promise<CameraInfo[]> {
  let process: CameraProcess | undefined;
  const found = new Promise<CameraInfo[]>((resolve, reject) => {
    process = launch(
      (message) => {
        if (message.type === 'answer') resolve(message.answer as CameraInfo[]);
        if (message.type === 'refusal') reject(new CameraError(message.error.code, message.error.message));
      },
      () => reject(new CameraError('lost', 'looking for cameras failed; unplug the camera, plug it in and try again')),
    );
    process.send({ type: 'request', id: 0, name: 'list', args: [] });
  });
  return within(CLOCKS.openMs, found).finally(() => process?.kill());
}

/** @throws CameraError code 'timeout' */
function within<T>(limitMs: number, promise: Promise<T>): Promise<T> {
  let timer: NodeJS.Timeout;
  const limit = new Promise<never>((_, reject) => {
    timer = setTimeout(() => reject(new CameraError('timeout', 'the camera does not answer')), limitMs);
  });
  return Promise.race([promise, limit]).finally(() => clearTimeout(timer));
}
