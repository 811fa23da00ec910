/**
 * Starts the host on the locked Node and opens its page in a window of its own: Electron where its
 * binary can be had, else Chromium, else it prints the link. Closing the window ends the host.
 * --no-window only serves, --chromium passes over Electron; other options go on to `nightring serve`.
 */
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { hasDisplay, inRoot, NODE } from './project.mjs';
import { findWindow } from './window.mjs';

const own = new Set(['--no-window', '--chromium']);
const given = process.argv.slice(2);
const options = given.filter((option) => !own.has(option));
const wantsWindow = !given.includes('--no-window');
const startWindow = wantsWindow && hasDisplay() ? await findWindow({ electron: !given.includes('--chromium') }) : null;

const host = spawn(NODE, [inRoot('bin', 'nightring.mjs'), 'serve', ...options], {
  stdio: ['ignore', 'pipe', 'inherit'],
});
const hostExit = once(host, 'exit');
for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP']) process.on(signal, () => endHost(signal));

/** Lets the host end in good order, and no longer than a few seconds. */
function endHost(signal) {
  host.kill(signal);
  setTimeout(() => host.kill('SIGKILL'), 5000).unref();
}

let opened = false;
createInterface({ input: host.stdout }).on('line', (line) => {
  console.log(line);
  const [url] = line.match(/http:\/\/127\.0\.0\.1:\d+\/\S*/) ?? [];
  if (!url || opened) return;
  opened = true;
  openWindow(url);
});

const [code, signal] = await hostExit;
if (signal === 'SIGKILL' || signal === 'SIGSEGV' || signal === 'SIGABRT')
  console.error(
    `Nightring was ended by ${signal}. Run "npm start" to go on; the notebook keeps all that was written down.`,
  );
process.exitCode = code ?? (signal === 'SIGINT' || signal === 'SIGTERM' || signal === 'SIGHUP' ? 0 : 1);

async function openWindow(url) {
  if (!startWindow) {
    if (!wantsWindow) return;
    const why = hasDisplay() ? 'No program for a window found' : 'There is no display here';
    return console.log(`${why}: open the link above in a browser on this machine.`);
  }
  const profile = mkdtempSync(join(tmpdir(), 'nightring-window-'));
  const window = startWindow(url, profile);
  hostExit.then(() => window.kill());
  await once(window, 'exit');
  endHost('SIGTERM');
  rmSync(profile, { recursive: true, force: true, maxRetries: 3 });
}
