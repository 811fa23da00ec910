import { open, readdir, readFile, stat } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import type { Frame } from '../../core/frame.ts';
import type { Optics, Reading } from '../../core/measurement.ts';
import type { RecordingInfo } from '../api.ts';
import { parseJson } from '../json.ts';
import {
  ABOUT_FILE,
  type About,
  aboutSchema,
  FORMAT,
  type FrameLine,
  frameLineSchema,
  INDEX_FILE,
  readingLineSchema,
  SEGMENT_NAME,
  VERSION,
} from './format.ts';
import { RecordingError } from './recorder.ts';

/** A frame with what it was measured to be, and the optics then or last before; null where the recording does not say. */
export interface Recorded {
  frame: Frame;
  number: number;
  optics: Optics | null;
  reading: Reading | null;
}

/** A recording opened for reading, one segment at a time in memory. It may be read while it is written. */
export class Recording {
  readonly folder: string;
  readonly about: About;

  private constructor(folder: string, about: About) {
    this.folder = folder;
    this.about = about;
  }

  /** @throws RecordingError when there is none, or it is of a later version */
  static async open(path: string): Promise<Recording> {
    const folder = resolve(path);
    if (!(await stat(folder).catch(() => null)))
      throw new RecordingError(`there is no folder ${folder}; check its name`);
    const text = await readFile(join(folder, ABOUT_FILE), 'utf8').catch(() => null);
    const about = text === null ? null : aboutSchema.safeParse(parseJson(text));
    if (!about?.success)
      throw new RecordingError(`${folder} is no recording: it has no valid ${ABOUT_FILE}; name another folder`);
    if (about.data.version > VERSION)
      throw new RecordingError(`${folder} is a ${FORMAT} of version ${about.data.version}; a newer Nightring reads it`);
    return new Recording(folder, about.data);
  }

  /** Frames in the order they came; what was cut off when the program was killed is passed over. */
  async *frames(): AsyncGenerator<Recorded> {
    let optics: Optics | null = null;
    for (const segment of await this.#segments()) {
      const { frames, readings } = await this.#index(segment);
      for (const line of frames) {
        const bytes = await readFile(join(this.folder, segment, line.file)).catch(() => null);
        if (bytes?.length !== line.bytes) continue;
        const { frame: number, sequence, timeUtc, name, mode, anew } = line;
        const found = readings.get(number);
        const reading = found?.type === 'reading' ? found.reading : null;
        // A reading that never reached the disk was most likely one with the optics of the one before.
        if (found?.type === 'reading') optics = found.optics;
        yield { number, optics, reading, frame: { sequence, timeUtc, name, mode, bytes, anew } };
      }
    }
  }

  /** Time of the first and of the last frame; null while there is none. */
  async span(): Promise<{ fromUtc: string; toUtc: string } | null> {
    const segments = await this.#segments();
    const [first, last] = [segments.at(0), segments.at(-1)];
    if (first === undefined || last === undefined) return null;
    const fromUtc = (await this.#index(first)).frames.at(0)?.timeUtc;
    const toUtc = (await this.#index(last)).frames.at(-1)?.timeUtc ?? fromUtc;
    return fromUtc && toUtc ? { fromUtc, toUtc } : null;
  }

  async #segments(): Promise<string[]> {
    const names = (await readdir(this.folder)).filter((name) => SEGMENT_NAME.test(name));
    return names.sort((a, b) => Number(a) - Number(b));
  }

  async #index(segment: string) {
    const frames: FrameLine[] = [];
    const readings = new Map<number, ReturnType<typeof readingLineSchema.parse>>();
    for await (const value of jsonLines(join(this.folder, segment, INDEX_FILE))) {
      const frame = frameLineSchema.safeParse(value);
      if (frame.success) frames.push(frame.data);
      const reading = readingLineSchema.safeParse(value);
      if (reading.success) readings.set(reading.data.frame, reading.data);
    }
    return { frames, readings };
  }
}

/** The recordings in a folder, newest first; what is none is passed over. */
export async function listRecordings(folder: string): Promise<RecordingInfo[]> {
  const names = await readdir(folder).catch((): string[] => []);
  const found = await Promise.all(
    names.map(async (name) => {
      const recording = await Recording.open(join(folder, name)).catch(() => null);
      const span = await recording?.span();
      if (!recording || !span) return [];
      const { camera, startedUtc } = recording.about;
      const heldS = (Date.parse(span.toUtc) - Date.parse(span.fromUtc)) / 1000;
      return [{ folder: recording.folder, camera, startedUtc, heldS }];
    }),
  );
  return found.flat().sort((a, b) => b.startedUtc.localeCompare(a.startedUtc));
}

async function* jsonLines(path: string): AsyncGenerator<unknown> {
  const file = await open(path).catch(() => null);
  if (!file) return;
  for await (const line of file.readLines()) {
    const value = parseJson(line);
    if (value !== undefined) yield value;
  }
}
