import { readdir, readFile, stat } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { isImageName } from '../decode/decode.ts';
import { CameraError, type CameraSource } from './source.ts';

/** Between looks at the folder, ms. Looking works everywhere; change notices do not come from network folders. */
const LOOK_EVERY_MS = 300;
/** A file untouched for so long is complete, ms. */
const SETTLED_MS = 2000;

/**
 * A folder as a camera: the pictures that are there in order of name, then each new or rewritten
 * one as it appears. A picture counts as complete when its size and time stay between two looks.
 * @throws CameraError code 'not-found' when the folder cannot be read
 */
export async function openFolder(path: string): Promise<CameraSource> {
  const folder = resolve(path);
  const info = await stat(folder).catch(() => null);
  if (!info) throw new CameraError('not-found', `there is no folder ${folder}`);
  if (!info.isDirectory()) throw new CameraError('not-found', `${folder} is a file; name the folder that holds it`);
  let open = true;
  const unsupported = (what: string) => new CameraError('unsupported', `a folder has no ${what}`);
  return {
    name: `folder:${path}`,
    async start(onFrame, onEnd) {
      let sequence = 0;
      const watch = async () => {
        for await (const file of newPictures(folder, () => open)) {
          const bytes = await readFile(join(folder, file.name)).catch(() => null);
          if (!bytes || !open) continue; // gone again
          await onFrame({
            sequence: sequence++,
            timeUtc: new Date(file.timeMs).toISOString(),
            bytes,
            name: file.name,
            mode: { kind: 'still', magnification: null, pixelUm: null },
          });
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

/** Complete pictures, each once per content; ends when `isOpen` says so. */
async function* newPictures(folder: string, isOpen: () => boolean): AsyncGenerator<{ name: string; timeMs: number }> {
  let passed = new Map<string, string>();
  let seen = new Map<string, string>();
  while (isOpen()) {
    const now = new Map<string, string>();
    const still = new Map<string, string>();
    for (const name of (await readdir(folder)).filter(isVisibleImage).sort(byName)) {
      const info = await stat(join(folder, name)).catch(() => null);
      if (!info?.isFile()) continue;
      const version = `${info.size} ${info.mtimeMs}`;
      now.set(name, version);
      if (passed.get(name) === version) {
        still.set(name, version);
        continue;
      }
      const isComplete = info.size > 0 && (seen.get(name) === version || Date.now() - info.mtimeMs > SETTLED_MS);
      if (!isComplete) continue;
      still.set(name, version);
      yield { name, timeMs: info.mtimeMs };
      if (!isOpen()) return;
    }
    seen = now;
    passed = still;
    await sleep(LOOK_EVERY_MS);
  }
}

const isVisibleImage = (name: string) => !name.startsWith('.') && isImageName(name);
const byName = new Intl.Collator('en', { numeric: true }).compare;
