/** The camera's process dies or hangs during live view: seen from the screen. */
import { readFile } from 'node:fs/promises';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import {
  collectReadings,
  type Host,
  launchBrowser,
  type OpenPage,
  openPage,
  setWorld,
  startHost,
  waitForInstruction,
} from './support.ts';

let host: Host;
let browser: Browser;
let opened: OpenPage;
let collected: Awaited<ReturnType<typeof collectReadings>>;

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
  await waitForInstruction(opened.page, 'distance');
  collected = await collectReadings(opened.page);
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

/** Id of the process that holds the camera. */
async function cameraPid(): Promise<number> {
  const children = await readFile(`/proc/${host.pid}/task/${host.pid}/children`, 'utf8');
  for (const pid of children.trim().split(' '))
    if ((await readFile(`/proc/${pid}/cmdline`, 'utf8').catch(() => '')).includes('cameras/child.ts'))
      return Number(pid);
  throw new Error(`the host has no camera process among ${children}`);
}

const count = async () => (await collected()).length;
const lost = () => opened.page.getByText(/^Camera lost, trying again \(\d s\)$/);

// A crash and an abort, as broken drivers make them (signal(7)), and a hang.
test.each(['SIGSEGV', 'SIGABRT', 'SIGSTOP'] as const)(
  '%s costs one gap: said on the picture with a countdown, then measuring goes on as it was set',
  async (signal) => {
    const { page, problems } = opened;
    const first = await cameraPid();
    const ring = 4.5 + (first % 50) / 100;
    await setWorld(page, 'ring', ring);
    await expect.poll(count).toBeGreaterThan(3);
    process.kill(first, signal);
    await lost().waitFor();
    const before = await collected();
    await lost().waitFor({ state: 'detached' });
    await waitForInstruction(page, 'distance', 'turn');
    await expect.poll(count).toBeGreaterThan(before.length + 3);
    expect(await cameraPid()).not.toBe(first);

    // Numbers go on upwards and times with them: no old frame came after a new one.
    const after = (await collected()).slice(before.length);
    const numbers = after.map(({ sequence }) => sequence);
    expect(numbers).toEqual([...numbers].sort((a, b) => a - b));
    expect(numbers[0]).toBeGreaterThan(before.at(-1)!.sequence);

    const config = await (await page.request.get(new URL('/api/camera/config', page.url()).href)).json();
    expect(config.find(({ name }: { name: string }) => name === 'ring').value).toBe(String(ring));
    await page.getByText(/\d+ dropped/).waitFor();
    // The browser notes what the host refuses while there is no camera; nothing else is amiss.
    expect(problems.filter((text) => !/status of 409/.test(text))).toEqual([]);
  },
);
