/** Where things are. Runs on the machine's own Node (20 or newer), before any package is installed. */
import { execFileSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { existsSync, mkdirSync, readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { delimiter, dirname, join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';

export const ROOT = dirname(dirname(fileURLToPath(import.meta.url)));
export const inRoot = (...parts) => join(ROOT, ...parts);
export const isWindows = process.platform === 'win32';

/** The Node that runs everything after setup: the locked `node` package's. */
export const NODE = inRoot('node_modules', 'node', 'bin', isWindows ? 'node.exe' : 'node');

/** Full path of a command, or null. */
export function findCommand(...names) {
  const folders = (process.env.PATH ?? '').split(delimiter).filter((folder) => folder && !folder.startsWith(ROOT));
  for (const name of names)
    for (const folder of folders) {
      const path = join(folder, isWindows ? `${name}.exe` : name);
      if (existsSync(path)) return path;
    }
  return null;
}

/** A browser that can show one page as a window of its own. */
export const findChromium = () => findCommand('chromium', 'chromium-browser', 'google-chrome');

export const hasDisplay = () =>
  process.platform !== 'linux' || Boolean(process.env.DISPLAY || process.env.WAYLAND_DISPLAY);

/** One hash over names, sizes and times of all files below the paths, build results aside; missing paths count as empty. */
export function fingerprint(...paths) {
  const hash = createHash('sha256');
  const visit = (path) => {
    const stat = statSync(path, { throwIfNoEntry: false });
    if (stat?.isDirectory()) for (const name of readdirSync(path).sort()) name !== 'build' && visit(join(path, name));
    else if (stat) hash.update(`${path} ${stat.size} ${stat.mtimeMs}\n`);
  };
  for (const path of paths) visit(resolve(ROOT, path));
  return hash.digest('hex');
}

/** Small notes on what is already done; they go with node_modules. */
const STAMPS = inRoot('node_modules', '.nightring');

export function readStamp(name) {
  const path = join(STAMPS, name);
  return existsSync(path) ? readFileSync(path, 'utf8') : null;
}

export function writeStamp(name, text) {
  mkdirSync(STAMPS, { recursive: true });
  writeFileSync(join(STAMPS, name), text);
}

/** Whether NODE runs and is the version the lock file names. */
export function nodeRuns(version) {
  try {
    return execFileSync(NODE, ['--version'], { encoding: 'utf8' }).trim() === `v${version}`;
  } catch {
    return false;
  }
}
