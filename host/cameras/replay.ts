import { setTimeout as sleep } from 'node:timers/promises';
import { Recording } from '../recording/read.ts';
import { RecordingError } from '../recording/recorder.ts';
import { CameraError, type CameraSource, type ConfigValue } from './source.ts';

/** Speeds offered; any number above 0 is taken, and `max` for as fast as the frames are taken. */
const SPEEDS = ['0.25', '0.5', '1', '2', '4', 'max'];
const LATE_MS = 50;

/**
 * A recording as a camera: the frames as they came, at the pace they came times the speed. Each is waited
 * for, none is dropped: only so does following the pattern from frame to frame give what it gave.
 * @throws CameraError code 'not-found' when there is no such recording
 */
export async function openReplay(path: string): Promise<CameraSource> {
  try {
    const recording = await Recording.open(path);
    return new Replay(path, recording, await recording.span());
  } catch (error) {
    if (error instanceof RecordingError) throw new CameraError('not-found', error.message);
    throw error;
  }
}

class Replay implements CameraSource {
  readonly name: string;
  readonly #recording: Recording;
  readonly #fromMs: number;
  readonly #lengthS: number;
  #closed = false;
  #speed = 1;
  #paused = false;
  #steps = 0;
  /** When the last frame was passed on, and the time it bears. */
  #last: { atMs: number; timeMs: number } | null = null;
  /** Settles when speed or pause change. */
  #changed = Promise.withResolvers<void>();

  constructor(path: string, recording: Recording, span: { fromUtc: string; toUtc: string } | null) {
    this.name = `replay:${path}`;
    this.#recording = recording;
    this.#fromMs = span ? Date.parse(span.fromUtc) : 0;
    this.#lengthS = span ? (Date.parse(span.toUtc) - this.#fromMs) / 1000 : 0;
  }

  async start(...[onFrame, onEnd]: Parameters<CameraSource['start']>): Promise<void> {
    const run = async () => {
      let sequence = 0;
      for await (const { frame, optics } of this.#recording.frames()) {
        await this.#due(Date.parse(frame.timeUtc));
        if (this.#closed) return;
        await onFrame({ ...frame, sequence: sequence++, optics: optics ?? undefined });
      }
      onEnd(null);
    };
    run().catch((error: Error) =>
      onEnd(new CameraError('lost', `the recording cannot be read any more (${error.message})`)),
    );
  }

  async readConfig(): Promise<ConfigValue[]> {
    const speed = Number.isFinite(this.#speed) ? String(this.#speed) : 'max';
    const positionS = this.#last ? (this.#last.timeMs - this.#fromMs) / 1000 : 0;
    const choices = SPEEDS.includes(speed) ? SPEEDS : [speed, ...SPEEDS];
    return [
      { name: 'speed', label: 'Speed', type: 'choice', value: speed, readOnly: false, choices },
      { name: 'paused', label: 'Paused', type: 'toggle', value: this.#paused ? '1' : '0', readOnly: false },
      { name: 'step', label: 'One frame', type: 'button', value: '', readOnly: false },
      { name: 'positionS', label: 'Position, s', type: 'text', value: String(positionS), readOnly: true },
      { name: 'lengthS', label: 'Length, s', type: 'text', value: String(this.#lengthS), readOnly: true },
    ];
  }

  async writeConfig(name: string, value: string): Promise<void> {
    if (name === 'speed') {
      const speed = value === 'max' ? Infinity : Number(value || Number.NaN);
      if (!(speed > 0)) throw new CameraError('refused', 'the speed must be a number above 0, or max');
      this.#speed = speed;
    } else if (name === 'paused' && (value === '0' || value === '1')) {
      this.#paused = value === '1';
      this.#steps = 0;
    } else if (name === 'step') {
      this.#paused = true;
      this.#steps++;
    } else throw new CameraError('refused', `a recording has no setting "${name}" that takes "${value}"`);
    // What is late because it was held does not come faster for it.
    if (this.#last) this.#last.atMs = performance.now();
    this.#changed.resolve();
    this.#changed = Promise.withResolvers();
  }

  capture(): Promise<never> {
    return Promise.reject(new CameraError('unsupported', 'a recording takes no test shots; choose a camera'));
  }

  async close(): Promise<void> {
    this.#closed = true;
    this.#changed.resolve();
  }

  /** Waits until a frame of that time is due; frames that could not be taken in time delay those after them. */
  async #due(timeMs: number): Promise<void> {
    while (!this.#closed) {
      const changed = this.#changed.promise;
      if (this.#paused) {
        if (this.#steps > 0) {
          this.#steps--;
          break;
        }
        await changed;
        continue;
      }
      const dueMs = this.#last ? this.#last.atMs + (timeMs - this.#last.timeMs) / this.#speed : 0;
      const waitMs = dueMs - performance.now();
      if (!(waitMs > 0)) {
        // A timer is late by a little; what is later than that is not caught up.
        this.#last = { atMs: Math.max(dueMs, performance.now() - LATE_MS), timeMs };
        return;
      }
      const stop = new AbortController();
      await Promise.race([sleep(waitMs, undefined, { signal: stop.signal }).catch(() => {}), changed]);
      stop.abort();
    }
    this.#last = { atMs: performance.now(), timeMs };
  }
}
