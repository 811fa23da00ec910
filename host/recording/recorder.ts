import { appendFile, mkdir, readdir, rm, statfs, writeFile } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import type { Frame } from '../../core/frame.ts';
import type { Optics, Reading } from '../../core/measurement.ts';
import { NOT_RECORDING, type RecordingMessage } from '../api.ts';
import { makeFolder } from '../datafolder.ts';
import {
  ABOUT_FILE,
  type About,
  FORMAT,
  type FrameLine,
  fileName,
  INDEX_FILE,
  type ReadingLine,
  segmentName,
  type UnreadableLine,
  VERSION,
} from './format.ts';

/** The recording's size is made of about so many segments; the oldest goes when a new one is begun. */
const SEGMENTS = 20;
const SEGMENT_MS = 60_000;
/** Frames waiting for the disk may fill so much memory; those that come then are not recorded. */
const BACKLOG_BYTES = 32 << 20;
/** So much of the disk is left for notebook, settings and everybody else. */
const SPARE_BYTES = 256 << 20;
/** Files take whole blocks. */
const BLOCK_BYTES = 4096;
/** Readings come soon after their frames; a photograph's may take many seconds, while live view goes on. */
const REMEMBERED = 2000;
const TELL_MS = 500;

export interface RecorderOptions {
  camera: string;
  limitBytes: number;
  onStatus?(status: RecordingMessage): void;
  /** Bytes that are free on the folder's disk; for tests. */
  freeBytes?(folder: string): Promise<number>;
}

/** A recording cannot begin; one line for the user. */
export class RecordingError extends Error {
  override name = 'RecordingError';
}

interface Segment {
  folder: string;
  /** Frames that are to be in it, and what it takes on the disk so far. */
  givenBytes: number;
  bytes: number;
  startedMs: number;
  /** Time of its first frame. */
  fromUtc: string;
}

/**
 * Writes frames and readings to a folder as they come (see format.ts), never more than its limit, the
 * oldest segment giving way. Whoever brings a frame does not wait for the disk; where the disk cannot
 * follow frames are left out and counted. When it is full or fails, recording stops and says why, and
 * everything else goes on.
 */
export class Recorder {
  readonly #folder: string;
  readonly #options: Required<RecorderOptions>;
  readonly #segments: Segment[] = [];
  #segmentNumber = 0;
  /** All writing, one after the other. */
  #writing: Promise<void> = Promise.resolve();
  #backlogBytes = 0;
  #next = 0;
  /** Of the frames of late, by their sequence: where their readings go. */
  readonly #recent = new Map<number, { number: number; segment: Segment }>();
  /** The next frame starts measuring afresh: it cannot be told from what is recorded what came before. */
  #anew = true;
  /** What was given is still being written; nothing more is taken. */
  #ending = false;
  #status: RecordingMessage;
  #toldMs = 0;
  #spaceCheckedMs = 0;

  private constructor(folder: string, options: Required<RecorderOptions>) {
    this.#folder = folder;
    this.#options = options;
    const { limitBytes } = options;
    this.#status = { ...NOT_RECORDING, state: 'recording', folder, limitBytes };
  }

  /** @throws RecordingError when the folder holds something or cannot be written */
  static async start(path: string, options: RecorderOptions): Promise<Recorder> {
    const folder = resolve(path);
    const about: About = {
      format: FORMAT,
      version: VERSION,
      camera: options.camera,
      startedUtc: new Date().toISOString(),
    };
    try {
      makeFolder(folder);
      if ((await readdir(folder)).length > 0)
        throw new RecordingError(`the folder ${folder} is not empty; name a new one`);
      await writeFile(join(folder, ABOUT_FILE), `${JSON.stringify(about, null, 2)}\n`);
    } catch (error) {
      if (error instanceof RecordingError) throw error;
      throw new RecordingError(
        `cannot record to ${folder} (${(error as NodeJS.ErrnoException).code}); name another folder`,
      );
    }
    return new Recorder(folder, { onStatus: () => {}, freeBytes, ...options });
  }

  get status(): RecordingMessage {
    return this.#status;
  }

  /** The next frame does not continue the ones before: who measures them has changed. */
  startAnew(): void {
    this.#anew = true;
  }

  /**
   * Records a frame. What is returned goes to whoever measures: `anew` tells them to forget what came
   * before, at the start of each segment, so that each can be measured again without the ones before it.
   * @param anew every frame is measured for itself
   */
  frame(frame: Frame, anew = false): Frame {
    if (this.#ending || this.#status.state !== 'recording') return frame;
    if (this.#backlogBytes > BACKLOG_BYTES) {
      this.#anew = true;
      this.#update({ skipped: this.#status.skipped + 1 });
      return frame;
    }
    const segment = this.#segmentFor(frame);
    // A still is measured for itself, and live view goes on from where it was.
    const isLive = frame.mode.kind === 'live';
    const given = { ...frame, anew: anew || (isLive && this.#anew) };
    if (isLive) this.#anew = false;
    const number = this.#next++;
    this.#remember(frame.sequence, { number, segment });
    this.#backlogBytes += frame.bytes.length;
    segment.givenBytes += frame.bytes.length;
    this.#write(async () => {
      await this.#mindSpace();
      const { sequence, timeUtc, name, mode, bytes } = frame;
      const file = fileName(number, frame);
      const onDisk = Math.ceil(bytes.length / BLOCK_BYTES) * BLOCK_BYTES;
      await this.#makeRoom(onDisk, segment);
      await writeFile(join(segment.folder, file), bytes);
      segment.bytes += onDisk;
      const line = { type: 'frame', frame: number, file, bytes: bytes.length, sequence, timeUtc, name, mode } as const;
      await this.#append(segment, { ...line, anew: given.anew });
      this.#backlogBytes -= bytes.length;
      this.#update({
        frames: this.#status.frames + 1,
        heldS: (Date.parse(timeUtc) - Date.parse(this.#segments[0].fromUtc)) / 1000,
      });
    });
    return given;
  }

  /** What the frame with the camera's running number was measured to be. */
  reading(sequence: number, optics: Optics, reading: Reading): void {
    this.#note(sequence, (frame) => ({ type: 'reading', frame, optics, reading }));
  }

  unreadable(sequence: number, reason: string): void {
    this.#note(sequence, (frame) => ({ type: 'unreadable', frame, reason }));
  }

  /** Ends when all is written, and says so no sooner. Without a frame nothing is kept, and the folder can be named again. */
  async stop(): Promise<void> {
    this.#ending = true;
    await this.#writing;
    if (this.#status.state === 'recording') this.#update({ state: 'off' }, true);
    if (this.#status.frames === 0) await rm(join(this.#folder, ABOUT_FILE), { force: true });
  }

  #remember(sequence: number, place: { number: number; segment: Segment }): void {
    this.#recent.delete(sequence); // as the newest, also where numbers begin again
    this.#recent.set(sequence, place);
    if (this.#recent.size > REMEMBERED) this.#recent.delete(this.#recent.keys().next().value!);
  }

  #note(sequence: number, lineFor: (frame: number) => ReadingLine | UnreadableLine): void {
    const of = this.#recent.get(sequence);
    if (!of || this.#ending || this.#status.state !== 'recording') return;
    this.#write(async () => {
      await this.#append(of.segment, lineFor(of.number));
    });
  }

  async #append(segment: Segment, line: FrameLine | ReadingLine | UnreadableLine): Promise<void> {
    const text = `${JSON.stringify(line)}\n`;
    await this.#makeRoom(text.length);
    if (!this.#segments.includes(segment)) return;
    await appendFile(join(segment.folder, INDEX_FILE), text);
    segment.bytes += text.length;
    this.#update({ bytes: this.#segments.reduce((sum, { bytes }) => sum + bytes, 0) });
  }

  #segmentFor(frame: Frame): Segment {
    const last = this.#segments.at(-1);
    const isFull =
      last && (last.givenBytes >= this.#options.limitBytes / SEGMENTS || Date.now() - last.startedMs >= SEGMENT_MS);
    if (last && !isFull) return last;
    const folder = join(this.#folder, segmentName(this.#segmentNumber++));
    const segment: Segment = { folder, givenBytes: 0, bytes: 0, startedMs: Date.now(), fromUtc: frame.timeUtc };
    this.#segments.push(segment);
    this.#anew = true;
    // Its parent was made at the start; when it has gone, the recording is at its end.
    this.#write(() => mkdir(folder));
    return segment;
  }

  /**
   * For what is about to be written: the limit holds at every moment.
   * @param keep a segment that stays, though a frame be larger than the limit: it is written into
   */
  async #makeRoom(bytes: number, keep?: Segment): Promise<void> {
    const isOver = () => this.#status.bytes + bytes > this.#options.limitBytes;
    while (isOver() && this.#segments.length > 1 && this.#segments[0] !== keep) {
      const [oldest] = this.#segments.splice(0, 1);
      await rm(oldest.folder, { recursive: true, force: true });
      this.#update({ bytes: this.#status.bytes - oldest.bytes });
    }
  }

  async #mindSpace(): Promise<void> {
    if (Date.now() - this.#spaceCheckedMs < 1000) return;
    this.#spaceCheckedMs = Date.now();
    if ((await this.#options.freeBytes(this.#folder)) < SPARE_BYTES)
      throw Object.assign(new Error('the disk is nearly full'), { code: 'ENOSPC' });
  }

  #write(work: () => Promise<unknown>): void {
    this.#writing = this.#writing.then(async () => {
      if (this.#status.state === 'stopped') return;
      try {
        await work();
      } catch (error) {
        const { code, message } = error as NodeJS.ErrnoException;
        const why =
          code === 'ENOSPC' || code === 'EDQUOT'
            ? 'the disk is full; make room and start a new recording'
            : `it cannot be written any more (${code ?? message})`;
        this.#update({ state: 'stopped', message: why }, true);
      }
    });
  }

  #update(change: Partial<RecordingMessage>, atOnce = false): void {
    this.#status = { ...this.#status, ...change };
    if (!atOnce && Date.now() - this.#toldMs < TELL_MS) return;
    this.#toldMs = Date.now();
    this.#options.onStatus(this.#status);
  }
}

async function freeBytes(folder: string): Promise<number> {
  const { bavail, bsize } = await statfs(folder);
  return bavail * bsize;
}
