/** Programs that can show the host's page as a window of its own. */
import { spawn } from 'node:child_process';
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { findChromium, inRoot, NODE, ROOT, readStamp, writeStamp } from './project.mjs';
import { runStep } from './step.mjs';

// Browsers refuse to sandbox their pages as root; the second option keeps them from saying so across the page.
const rootOptions = process.getuid?.() === 0 ? ['--no-sandbox', '--test-type'] : [];

/**
 * Finds the program for the window, fetching it first when it can be had.
 * @returns {Promise<((url: string, profile: string) => import('node:child_process').ChildProcess) | null>}
 *   opens the host's link with a profile folder of its own; null when no program is there for it
 */
export async function findWindow({ electron = true } = {}) {
  const shell = electron && (await electronBinary());
  if (shell)
    return (url, profile) =>
      spawn(shell, [...rootOptions, `--user-data-dir=${profile}`, ROOT], {
        stdio: 'ignore',
        // The link holds the token: in the environment other users of the machine cannot read it.
        env: { ...process.env, NIGHTRING_URL: url },
      });
  const browser = findChromium();
  if (!browser) return null;
  return (url, profile) =>
    spawn(browser, [...chromiumOptions(profile), ...rootOptions, `--app=${url}`], { stdio: 'ignore' });
}

/** Options for a window that keeps to itself: own profile, no first-run pages, no traffic of its own. */
const chromiumOptions = (profile) => [
  `--user-data-dir=${profile}`,
  '--window-size=1280,800',
  '--force-dark-mode',
  '--autoplay-policy=no-user-gesture-required',
  '--no-first-run',
  '--no-default-browser-check',
  '--disable-background-networking',
  '--disable-component-update',
  '--disable-sync',
  '--disable-quic',
  '--password-store=basic',
];

/** Path of Electron's binary, fetched on first use; null when it cannot be had. A failed try is repeated after a day. */
export async function electronBinary({ retry = false } = {}) {
  const folder = inRoot('node_modules', 'electron');
  const found = () => {
    const name = join(folder, 'path.txt');
    if (!existsSync(name)) return null;
    const binary = join(folder, 'dist', readFileSync(name, 'utf8'));
    return existsSync(binary) ? binary : null;
  };
  const triedMs = Number(readStamp('electron') ?? 0);
  if (found() || !existsSync(folder) || (!retry && Date.now() - triedMs < 86_400_000)) return found();
  const { ok } = await runStep('Fetching Electron', NODE, [join(folder, 'install.js')], { limitMs: 120_000 });
  if (!ok) writeStamp('electron', String(Date.now()));
  return found();
}
