/** Programs that can show the host's page as a window of its own. */
import { spawn } from 'node:child_process';
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { findChromium, fingerprint, inRoot, NODE, ROOT, readStamp, writeStamp } from './project.mjs';
import { runStep } from './step.mjs';

// Browsers refuse to sandbox their pages as root; the second option keeps them from saying so across the page.
const rootOptions = process.getuid?.() === 0 ? ['--no-sandbox', '--test-type'] : [];

/**
 * @param {string} url the host's link
 * @param {string} profile folder for what the program keeps, of its own for each window
 * @returns {Promise<import('node:child_process').ChildProcess | null>} the window, null when no program is there for it
 */
export async function startWindow(url, profile, { electron = true } = {}) {
  return (electron && (await electronWindow(url, profile))) || chromiumWindow(url, profile);
}

async function electronWindow(url, profile) {
  const binary = await electronBinary();
  if (!binary || !(await buildShell())) return null;
  // The link holds the token: in the environment other users of the machine cannot read it.
  return spawn(binary, [...rootOptions, `--user-data-dir=${profile}`, ROOT], {
    stdio: 'inherit',
    env: { ...process.env, NIGHTRING_URL: url },
  });
}

function chromiumWindow(url, profile) {
  const binary = findChromium();
  if (!binary) return null;
  return spawn(binary, [...chromiumOptions(profile), ...rootOptions, `--app=${url}`], { stdio: 'ignore' });
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

/** Compiles electron/ when it changed. */
export async function buildShell() {
  const stamp = fingerprint('electron', 'package-lock.json');
  if (existsSync(inRoot('build', 'electron', 'main.js')) && readStamp('shell') === stamp) return true;
  const vite = [inRoot('node_modules/vite/bin/vite.js'), 'build', '--config', 'electron/vite.config.ts'];
  const { ok, output } = await runStep('Building the window', NODE, vite);
  if (ok) writeStamp('shell', stamp);
  else console.log(output);
  return ok;
}
