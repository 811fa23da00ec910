import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { chmodSync, existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { afterEach, beforeEach, expect, it } from 'vitest';
import { inRoot } from '../../scripts/project.mjs';

let folder: string;
let started: ChildProcess | null = null;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'nightring-start-'));
});
afterEach(() => {
  started?.kill('SIGKILL');
  rmSync(folder, { recursive: true });
});

/** Starts the program; a stand-in for Chromium notes its arguments and process id and stays until it is ended. */
function start(options: string[], display: string | undefined) {
  const browser = join(folder, 'chromium');
  writeFileSync(
    browser,
    `#!/bin/sh\necho $$ > ${folder}/pid\nprintf '%s\\n' "$@" > ${folder}/arguments\nexec sleep 600\n`,
  );
  chmodSync(browser, 0o755);
  const { DISPLAY: _x, WAYLAND_DISPLAY: _wayland, ...env } = process.env;
  const child = spawn(process.execPath, [inRoot('scripts', 'start.mjs'), '--data', folder, ...options], {
    stdio: ['ignore', 'pipe', 'inherit'],
    env: { ...env, ...(display && { DISPLAY: display }), PATH: `${folder}:${env.PATH}` },
  });
  started = child;
  const lines: string[] = [];
  const waiting: { pattern: RegExp; found: (line: string) => void }[] = [];
  createInterface({ input: child.stdout }).on('line', (line) => {
    lines.push(line);
    for (const { pattern, found } of waiting) if (pattern.test(line)) found(line);
  });
  const line = (pattern: RegExp) =>
    new Promise<string>((found) => {
      const seen = lines.find((text) => pattern.test(text));
      if (seen) found(seen);
      else waiting.push({ pattern, found });
    });
  return { child, line, exit: once(child, 'exit') };
}

async function file(name: string): Promise<string> {
  const path = join(folder, name);
  while (!existsSync(path) || readFileSync(path, 'utf8') === '') await new Promise((done) => setTimeout(done, 20));
  return readFileSync(path, 'utf8');
}

const answers = async (url: string) => (await fetch(url).catch(() => null))?.status ?? null;
const linkIn = (text: string) => text.match(/http:\S+/)![0];

it('serves and says so where there is no display; ends when told to', async () => {
  const { child, line, exit } = start(['--chromium'], undefined);
  const url = linkIn(await line(/http:/));
  await line(/no display/);
  expect(await answers(url)).toBe(200);
  child.kill('SIGTERM');
  expect(await exit).toEqual([0, null]);
  expect(await answers(url)).toBeNull();
  expect(existsSync(join(folder, 'pid'))).toBe(false);
});

it('opens the link in a window with a profile of its own; closing the window ends the host', async () => {
  const { line, exit } = start(['--chromium'], ':99');
  const url = linkIn(await line(/http:/));
  const given = (await file('arguments')).trimEnd().split('\n');
  expect(given).toContain(`--app=${url}`);
  const profile = given.find((option) => option.startsWith('--user-data-dir='))!.split('=')[1];
  expect(existsSync(profile)).toBe(true);
  process.kill(Number(await file('pid')), 'SIGTERM');
  expect(await exit).toEqual([0, null]);
  expect(await answers(url)).toBeNull();
  expect(existsSync(profile)).toBe(false);
});

it('ends the window when the host ends', async () => {
  const { child, line, exit } = start(['--chromium'], ':99');
  await line(/http:/);
  const pid = Number(await file('pid'));
  child.kill('SIGTERM');
  await exit;
  expect(() => process.kill(pid, 0)).toThrow('ESRCH');
});

it('opens no window when told not to', async () => {
  const { child, line, exit } = start(['--no-window', '--camera', `folder:${folder}`], ':99');
  expect(await answers(linkIn(await line(/http:/)))).toBe(200);
  child.kill('SIGTERM');
  await exit;
  expect(existsSync(join(folder, 'pid'))).toBe(false);
});

it('passes on what the host says of a wrong option, and its exit status', async () => {
  const { exit } = start(['--no-window', '--port', 'many'], undefined);
  const [code] = await exit;
  expect(code).toBe(2);
});
