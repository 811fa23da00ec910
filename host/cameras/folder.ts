import { readdir, readFile, stat } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { isImageName } from '../decode/decode.ts';
import { CameraError, type CameraSource } from './source.ts';

/** Between looks at the folder, ms. Looking works everywhere; change notices do not come from network folders. */
const LOOK_EVERY_MS = 300;
/** A file untouched for so long is complete, ms, unless its own end is missing. */
const SETTLED_MS = 2000;
/** What has no end after so long without a change will get none: it is passed on, to be told damaged. */
const GIVEN_UP_MS = 10_000;

/**
 * A folder as a camera: the pictures that are there in order of name, then each new or rewritten
 * one as it appears, whole: its size and time stay between two looks, and JPEG and PNG have their end. Renamed
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
  let seen = new Map<string, string>();
  while (isOpen()) {
    const now = new Map<string, string>();
    const still = new Map<string, string>();
    for (const name of (await readdir(folder)).filter(isVisibleImage).sort(byName)) {
      const info = await stat(join(folder, name)).catch(() => null);
      if (!info?.isFile()) continue;
      const version = `${info.ino} ${info.size} ${info.mtimeMs}`;
      now.set(name, version);
      if (passed.get(name) === version) {
        still.set(name, version);
        continue;
      }
      const restedMs = Date.now() - info.mtimeMs;
      if (info.size === 0 || !(seen.get(name) === version || restedMs > SETTLED_MS)) continue;
      const bytes = await readFile(join(folder, name)).catch(() => null);
      // Gone again or grown meanwhile; or the copying has only stalled.
      if (bytes?.length !== info.size || (!hasItsEnd(bytes) && restedMs < GIVEN_UP_MS)) continue;
      still.set(name, version);
      yield { name, timeMs: info.mtimeMs, bytes };
      if (!isOpen()) return;
    }
    seen = now;
    passed = still;
    await sleep(LOOK_EVERY_MS);
  }
}

/** Cameras put a few bytes of their own behind a JPEG's end, and files are filled up with zeros: the end is looked for near it. */
const END_WITHIN_BYTES = 64 << 10;
const JPEG_START = Buffer.of(0xff, 0xd8, 0xff);
const JPEG_END = Buffer.of(0xff, 0xd9);
const PNG_START = Buffer.of(0x89, 0x50, 0x4e, 0x47);

/** False for a JPEG or PNG that is not there to its end (ISO/IEC 10918-1, B.2; PNG, IEND). Other formats do not tell. */
function hasItsEnd(bytes: Buffer): boolean {
  const tail = bytes.subarray(-END_WITHIN_BYTES);
  if (bytes.subarray(0, 3).equals(JPEG_START)) return tail.includes(JPEG_END);
  if (bytes.subarray(0, 4).equals(PNG_START)) return tail.includes('IEND');
  return true;
}

const isVisibleImage = (name: string) => !/^[.~]/.test(name) && isImageName(name);
const byName = new Intl.Collator('en', { numeric: true }).compare;
