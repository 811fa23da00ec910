import { open as openFile, readdir, stat } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { isImageName } from '../decode/decode.ts';
import { CameraError, type CameraSource } from './source.ts';
import { type Wholeness, wholenessOf } from './whole.ts';

/** Between looks at the folder, ms. Looking works everywhere; change notices do not come from network folders. */
const LOOK_EVERY_MS = 300;
/**
 * How long a file must have stayed as it is, ms, by what it says of its own end: a writer may go on behind the end
 * (a moment), a kind without end tells in no other way, and a copy over a bad network may stall for a while. What is
 * not whole after that will hardly become so. It is passed on as it is, since it must not vanish without a word:
 * decoders refuse a picture cut short, and say so of that one picture. Those after it are passed on meanwhile, and if
 * the copying does go on, it comes again as a new one.
 */
const REST_MS: Record<Wholeness, number> = { whole: 200, unknown: 2000, partial: 30_000 };

/**
 * A folder as a camera: the pictures that are there in order of name, then each new or rewritten
 * one as it appears, whole: it stays as it is for a while, and is there as far as it says that it goes. Renamed
 * into place it is taken as a new one; names that copying programs give to what is not yet whole are passed over.
 * @throws CameraError code 'not-found' when the folder cannot be read
 */
export async function openFolder(path: string): Promise<CameraSource> {
  const folder = resolve(path);
  const info = await stat(folder).catch(() => null);
  if (!info) throw new CameraError('not-found', `there is no folder ${folder}; check its name`);
  if (!info.isDirectory()) throw new CameraError('not-found', `${folder} is a file; name the folder that holds it`);
  let open = true;
  const unsupported = (what: string) => new CameraError('unsupported', `a folder has no ${what}`);
  return {
    name: `folder:${path}`,
    async start(onFrame, onEnd) {
      let sequence = 0;
      const watch = async () => {
        for await (const { name, timeMs, bytes } of newPictures(folder, () => open)) {
          const mode = { kind: 'still', magnification: null, pixelUm: null } as const;
          await onFrame({ sequence: sequence++, timeUtc: new Date(timeMs).toISOString(), bytes, name, mode });
        }
      };
      watch().catch((error: NodeJS.ErrnoException) =>
        onEnd(new CameraError('lost', `the folder ${folder} cannot be read any more (${error.code ?? error.message})`)),
      );
    },
    readConfig: async () => [],
    writeConfig: () => Promise.reject(unsupported('settings')),
    capture: () => Promise.reject(unsupported('shutter')),
    async close() {
      open = false;
    },
  };
}

interface Picture {
  name: string;
  timeMs: number;
  bytes: Buffer;
}

/** Complete pictures, each once per content; ends when `isOpen` says so. */
async function* newPictures(folder: string, isOpen: () => boolean): AsyncGenerator<Picture> {
  let passed = new Map<string, string>();
  let seen: Map<string, Seen> | null = null;
  while (isOpen()) {
    const now = new Map<string, Seen>();
    const still = new Map<string, string>();
    for (const name of (await readdir(folder)).filter(isVisibleImage).sort(byName)) {
      const info = await stat(join(folder, name)).catch(() => null);
      if (!info?.isFile()) continue;
      const version = `${info.ino} ${info.size} ${info.mtimeMs}`;
      if (passed.get(name) === version) {
        still.set(name, version);
        continue;
      }
      const before = seen ? seen.get(name) : { version, sinceMs: restingSince(info.mtimeMs) };
      const sinceMs = before?.version === version ? before.sinceMs : Date.now();
      now.set(name, { version, sinceMs });
      const bytes = await readWhole(join(folder, name), info.size, Date.now() - sinceMs);
      if (!bytes) continue;
      still.set(name, version);
      yield { name, timeMs: info.mtimeMs, bytes };
      if (!isOpen()) return;
    }
    seen = now;
    passed = still;
    await sleep(LOOK_EVERY_MS);
  }
}

/** A file as it was when last looked at, and since when it has been so. */
interface Seen {
  version: string;
  sinceMs: number;
}

/** What was there before tells its age. After that our own clock counts: a network folder's may be wrong. */
function restingSince(writtenMs: number): number {
  const nowMs = Date.now();
  return nowMs - writtenMs > REST_MS.unknown ? writtenMs : nowMs; // younger ones together, so that they keep their order
}

/** Null as long as the file is not whole and may become so, is gone again or has grown meanwhile. */
async function readWhole(path: string, sizeBytes: number, restedMs: number): Promise<Buffer | null> {
  if (sizeBytes === 0 || restedMs < REST_MS.whole) return null;
  const file = await openFile(path).catch(() => null);
  if (!file) return null;
  try {
    const read = async (offset: number, lengthBytes: number) => {
      const { buffer, bytesRead } = await file.read(Buffer.alloc(lengthBytes), 0, lengthBytes, offset);
      return buffer.subarray(0, bytesRead);
    };
    if (restedMs < REST_MS[await wholenessOf({ sizeBytes, read })]) return null;
    const bytes = await file.readFile();
    return bytes.length === sizeBytes ? bytes : null;
  } catch {
    return null; // a network folder may fail for a moment; the next look tells
  } finally {
    await file.close().catch(() => {});
  }
}

const isVisibleImage = (name: string) => !/^[.~]/.test(name) && isImageName(name);
const byName = new Intl.Collator('en', { numeric: true }).compare;
