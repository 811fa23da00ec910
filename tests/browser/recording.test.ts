/** Recording from the screen, and the recording replayed on the screen and by the command line. */
import { execFile } from 'node:child_process';
import { basename, join } from 'node:path';
import { promisify } from 'node:util';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import type { RecordingInfo, RecordingMessage } from '../../host/api.ts';
import { framesOf } from '../host/recording/support.ts';
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

const BIN = join(import.meta.dirname, '..', '..', 'bin', 'nightring.mjs');

let host: Host;
let browser: Browser;
let opened: OpenPage;

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
  await waitForInstruction(opened.page, 'distance');
  await opened.page.keyboard.press('Enter'); // the caution of the start
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

async function get<T>(path: string): Promise<T> {
  return (await opened.page.request.get(new URL(path, opened.page.url()).href)).json();
}

/** The browser notes what the host refuses while there is no camera, as when a replay has just ended; all else is amiss. */
const amiss = (problems: string[]) => problems.filter((text) => !/status of 409/.test(text));

async function replaying({ folder }: RecordingInfo): Promise<void> {
  await opened.page
    .getByRole('status')
    .filter({ hasText: `Replay of ${basename(folder)}` })
    .waitFor();
}

test('recorded by a key, shown by a meter; replayed on the screen and by the command line', async () => {
  const { page, problems } = opened;
  await page.keyboard.press('5');
  await page.keyboard.press('r');
  const frames = () => get<RecordingMessage>('/api/recording').then((status) => status.frames);
  await expect.poll(frames).toBeGreaterThan(10);
  await setWorld(page, 'ring', 5.2); // something happens meanwhile
  await expect.poll(frames).toBeGreaterThan(30);
  const meter = page.getByRole('meter', { name: 'Size of the recording' });
  expect(Number(await meter.getAttribute('value'))).toBeGreaterThan(1e6);
  expect(await meter.getAttribute('max')).toBe('2000000000');
  await page.getByText(/\d+ of 2000 MB, the last \d+ s kept, \d+ frames written$/).waitFor();
  await page.getByText(/Recording, \d+ MB/).waitFor();
  await page.keyboard.press('r');
  await page.getByRole('button', { name: 'Record', exact: false, pressed: false }).waitFor();

  const [info] = await get<RecordingInfo[]>('/api/recordings');
  // The reading of the last frame may have come too late.
  const all = await framesOf(info.folder);
  const recorded = all.filter(({ reading }) => reading !== null);
  expect(all.length - recorded.length).toBeLessThanOrEqual(2);
  expect(recorded.filter(({ frame }) => frame.anew)).toHaveLength(1);
  expect(recorded.filter(({ reading }) => reading!.status === 'measured').length).toBeGreaterThan(10);
  expect(recorded[0].optics).toMatchObject({ focalMm: 24, fNumber: 2.8 });

  // Replayed with other settings: the optics recorded count.
  const collected = await collectReadings(page);
  await page.getByLabel('f-number').fill('8');
  await page.keyboard.press('Tab');
  await page.getByLabel('Replay').selectOption(`replay:${info.folder}`);
  await replaying(info);
  await setWorld(page, 'speed', 'max'); // on a busy machine it may have taken long
  await page.keyboard.press('Escape');
  await page.getByText('The recording is over').waitFor();
  const last = async () => (await collected()).at(-1)?.sequence;
  await expect.poll(last).toBe(all.length - 1);
  const replayed = (await collected()).slice(-all.length, recorded.length - all.length || undefined);
  expect(replayed.map(({ reading }) => reading)).toEqual(recorded.map(({ reading }) => reading));

  const { stdout } = await promisify(execFile)(
    process.execPath,
    [BIN, 'watch', '--camera', `replay:${info.folder}`, '--speed', 'max', '--json'],
    { maxBuffer: 64 << 20 },
  );
  const lines = stdout
    .trim()
    .split('\n')
    .map((line) => JSON.parse(line));
  // Another engine: its exponentials, logarithms and angle functions may differ in the last bit. What was decoded and followed is the same.
  expect(lines.map(({ status }) => status).slice(0, recorded.length)).toEqual(
    recorded.map(({ reading }) => reading!.status),
  );
  for (const [index, { reading }] of recorded.entries())
    if (reading!.status === 'measured') {
      expect(lines[index].offsetPx).toBeCloseTo(reading!.offsetPx, 9);
      expect(lines[index].defocusUm).toBeCloseTo(reading!.defocusUm!, 7);
    }
  expect(amiss(problems)).toEqual([]);
});

test('a recording is held and gone through frame by frame', async () => {
  const { page } = opened;
  await page.keyboard.press('5');
  const [info] = await get<RecordingInfo[]>('/api/recordings');
  await page.getByLabel('Replay').selectOption(`replay:${info.folder}`);
  await replaying(info);
  await setWorld(page, 'paused', 1); // it is short
  await page.keyboard.press('Escape');
  const replay = page.getByRole('region', { name: 'Replay' });
  const hold = replay.getByRole('button', { name: 'Hold' });
  await expect.poll(() => hold.getAttribute('aria-pressed')).toBe('true');
  await page.waitForTimeout(300); // what was under way
  const collected = await collectReadings(page);
  for (let count = 1; count <= 3; count++) {
    await replay.getByRole('button', { name: 'One frame' }).click();
    await expect.poll(async () => (await collected()).length).toBe(count);
  }
  await replay.getByLabel('Speed').selectOption('max');
  await hold.click();
  await page.getByText('The recording is over').waitFor();
  const all = await framesOf(info.folder);
  await expect.poll(async () => (await collected()).at(-1)?.sequence).toBe(all.length - 1);
  // Held at any place, the rest is as it was recorded.
  for (const { sequence, reading } of await collected())
    if (all[sequence].reading) expect(reading).toEqual(all[sequence].reading);
});

test('a test shot is recorded with its reading, and live view goes on from where it was', async () => {
  const { page, problems } = opened;
  await page.keyboard.press('5');
  await page.getByLabel('Found').selectOption('sim');
  await page.keyboard.press('Escape');
  // What was replayed may still be shown; a recording that begins now would end with the change of the camera.
  await page
    .getByRole('status')
    .filter({ hasText: /^Simulated camera$/ })
    .waitFor();
  await waitForInstruction(page, 'distance');
  await page.keyboard.press('5');
  await page.keyboard.press('r');
  // Not of the recording before.
  const frames = async () => {
    const { state, frames: written } = await get<RecordingMessage>('/api/recording');
    return state === 'recording' ? written : 0;
  };
  await expect.poll(frames).toBeGreaterThan(3);
  await page.keyboard.press('3');
  await page.keyboard.press('p');
  const before = await frames();
  const [info] = await get<RecordingInfo[]>('/api/recordings');
  const still = async () => (await framesOf(info.folder)).find(({ frame }) => frame.mode.kind === 'still');
  await expect.poll(async () => (await still())?.reading?.status, { timeout: 60_000 }).toBe('measured');
  await expect.poll(frames).toBeGreaterThan(before + 5);
  await page.keyboard.press('5');
  await page.keyboard.press('r');
  await page.getByRole('button', { name: 'Record', exact: false, pressed: false }).waitFor();
  const shot = (await still())!;
  expect(shot.frame.anew).toBe(false);
  const all = await framesOf(info.folder);
  expect(new Set(all.map(({ frame }) => frame.sequence)).size).toBe(all.length);
  expect(all.filter(({ frame }) => frame.anew)).toHaveLength(1);

  const collected = await collectReadings(page);
  await page.getByLabel('Replay').selectOption(`replay:${info.folder}`);
  await replaying(info);
  await setWorld(page, 'speed', 'max');
  await page.keyboard.press('Escape');
  await page.getByText('The recording is over').waitFor();
  await expect.poll(async () => (await collected()).at(-1)?.sequence).toBe(all.length - 1);
  const readings = (await collected()).slice(1 - all.length);
  for (const { sequence, reading } of readings)
    if (all[sequence].reading) expect(reading).toEqual(all[sequence].reading);
  expect(amiss(problems)).toEqual([]);
});
