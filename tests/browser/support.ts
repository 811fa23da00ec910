/** The real host with the simulated camera, and Chromium on the page it serves. */
import { type ChildProcess, spawn } from 'node:child_process';
import { existsSync } from 'node:fs';
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import { type Browser, type BrowserContext, chromium, type Page } from 'playwright-core';
import type { Reading } from '../../core/measurement.ts';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));

const CHROMIUM_FLAGS = [
  '--headless',
  '--no-sandbox',
  '--disable-gpu',
  '--disable-quic',
  '--no-first-run',
  '--disable-background-networking',
  '--disable-component-update',
  '--disable-sync',
];

export interface Host {
  /** The link with its token. */
  url: string;
  pid: number;
  stop(): Promise<void>;
}

/** Starts `nightring serve` on a fresh data folder. */
export async function startHost(camera = 'sim', prepare = (_data: string) => {}): Promise<Host> {
  if (!existsSync(join(ROOT, 'dist/index.html'))) throw new Error('the interface is not built; run "npm run build"');
  const data = await mkdtemp(join(tmpdir(), 'nightring-browser-'));
  prepare(data);
  const host = spawn(process.execPath, [join(ROOT, 'bin/nightring.mjs'), 'serve', '--camera', camera, '--data', data], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  // A run that breaks off leaves no host behind.
  const kill = () => host.kill();
  process.once('exit', kill);
  const url = await linkOf(host);
  return {
    url,
    pid: host.pid!,
    async stop() {
      process.off('exit', kill);
      const exited = new Promise((resolve) => host.once('exit', resolve));
      host.kill('SIGTERM');
      await exited;
      await rm(data, { recursive: true });
    },
  };
}

async function linkOf(host: ChildProcess): Promise<string> {
  for await (const line of createInterface({ input: host.stdout! })) {
    const link = /http:\/\/\S+/.exec(line)?.[0];
    if (link) return link;
  }
  throw new Error('the host ended without printing a link');
}

export interface OpenPage {
  page: Page;
  context: BrowserContext;
  /** Console errors, page errors and CSP violations so far. */
  problems: string[];
}

export function launchBrowser(...flags: string[]): Promise<Browser> {
  const args = [...CHROMIUM_FLAGS, ...flags];
  return chromium.launch({ executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', args });
}

export async function openPage(browser: Browser, url: string, width = 1280, height = 800): Promise<OpenPage> {
  const context = await browser.newContext({ viewport: { width, height } });
  const page = await context.newPage();
  const problems: string[] = [];
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') problems.push(message.text());
  });
  page.on('pageerror', (error) => problems.push(error.message));
  await page.goto(url);
  return { page, context, problems };
}

/** What the page measured, frame by frame, from now on. */
export async function collectReadings(page: Page): Promise<() => Promise<{ sequence: number; reading: Reading }[]>> {
  await page.evaluate(() => {
    const readings: unknown[] = [];
    Object.assign(window, { readings });
    document.addEventListener('nightring-frame', (event) => {
      const { sequence, reading } = (event as CustomEvent).detail;
      readings.push({ sequence, reading });
    });
  });
  return () =>
    page.evaluate(() => (window as unknown as { readings: { sequence: number; reading: Reading }[] }).readings);
}

/** Kind of the instruction shown, see Instruction in core/guide. */
export async function waitForInstruction(page: Page, ...kinds: string[]): Promise<void> {
  const selector = kinds.map((kind) => `[data-kind="${kind}"]`).join(', ');
  await page.locator(selector).waitFor({ timeout: 45_000 });
}

/** Sets a value of the simulated camera's world, as another hand at the tripod would. */
export async function setWorld(page: Page, name: string, value: number | string): Promise<void> {
  const response = await page.request.put(new URL('/api/camera/config', page.url()).href, {
    data: { name, value: String(value) },
    headers: { origin: new URL(page.url()).origin },
  });
  if (!response.ok()) throw new Error(`${name} was not set: ${await response.text()}`);
}

/** The calibration turn by keyboard alone, the ring turned clockwise (towards higher marks) by `marks`. */
export async function calibrateByKeys(page: Page, from: number, marks: number): Promise<void> {
  await page.keyboard.press('c');
  await page.keyboard.press('Enter');
  await page.getByText('Turn a little clockwise').waitFor();
  await setWorld(page, 'ring', from + marks);
  await page.keyboard.press('i');
  await page.getByRole('button', { name: /Done/ }).waitFor();
  await page.keyboard.press('Enter');
}
