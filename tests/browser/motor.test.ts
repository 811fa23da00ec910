/** Focus by motor, from the keyboard, and STOP. */
import axe from 'axe-core';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import {
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

const ring = async (page: Page) => {
  const config = await (await page.request.get(new URL('/api/camera/config', page.url()).href)).json();
  return Number(config.find(({ name }: { name: string }) => name === 'ring').value);
};
const panel = () => opened.page.getByRole('region', { name: 'Focus by motor' });
/** It has moved; the moves themselves are too short to be caught. */
const hasMoved = () =>
  panel()
    .getByText(/^[1-9]\d* move/)
    .waitFor();
const end = () => panel().getAttribute('data-end');

/** Has the ring at a mark, and the motor on its way from there. */
async function setOff({ page }: OpenPage, mark: number): Promise<void> {
  await setWorld(page, 'ring', mark);
  await waitForInstruction(page, 'distance');
  await page.keyboard.press('f');
  await hasMoved();
}

/** A page of the same origin, which asks for no frames: the first one is to keep the machine. */
async function otherPage({ context }: OpenPage): Promise<Page> {
  const other = await context.newPage();
  await other.goto(new URL('/api/settings', host.url).href);
  return other;
}

/** The ring does not turn any more. */
async function standsStill(page: Page): Promise<void> {
  let last = await ring(page);
  const isStill = async () => {
    const before = last;
    last = await ring(page);
    return last === before;
  };
  await expect.poll(isStill, { interval: 500 }).toBe(true);
}

test('the space bar stops it, wherever the cursor is', async () => {
  const { page } = opened;
  await page.keyboard.press('f');
  await hasMoved();
  // A button has the focus: without precaution the space bar would press that.
  await page.getByRole('button', { name: 'T Red picture' }).focus();
  await page.keyboard.press('Space');
  expect(await end()).toBe('stopped');
  expect(await page.getByRole('button', { name: 'T Red picture' }).getAttribute('aria-pressed')).toBe('true');
  await standsStill(page);
});

test('space, pressed again and again or held, never starts it anew, though the button clicked last has the focus', async () => {
  const { page } = opened;
  await page.keyboard.press('Escape'); // the end of the run before
  await page.getByRole('button', { name: 'F By motor' }).click();
  await hasMoved();
  await page.keyboard.down('Space');
  for (let held = 0; held < 3; held++) await page.keyboard.down('Space');
  await page.keyboard.up('Space');
  expect(await end()).toBe('stopped');
  await page.getByRole('button', { name: 'F By motor' }).focus();
  for (let more = 0; more < 3; more++) await page.keyboard.press('Space');
  expect(await end()).toBe('stopped');
  await standsStill(page);
  await page.keyboard.press('Enter');
  await waitForInstruction(page, 'distance', 'hold');
});

test('stopped from another page, it goes on no more', async () => {
  const { page } = opened;
  const other = await otherPage(opened);
  await setOff(opened, 4.5);
  // Again and again, as moves are short and between two of them there is nothing to stop.
  const stopping = other.evaluate(async () => {
    const until = performance.now() + 30_000;
    while (performance.now() < until && !('enough' in window))
      await fetch('/api/camera/sequence', { method: 'DELETE' });
  });
  await panel().and(page.locator('[data-phase="ended"]')).waitFor();
  await other.evaluate(() => Object.assign(window, { enough: true }));
  await stopping;
  expect(await end()).toBe('stopped');
  await standsStill(page);
  await other.close();
  await page.keyboard.press('Enter');
});

test('the STOP button is large, and stops it; all has its name and contrast (axe-core)', async () => {
  const { page } = opened;
  // The move under way takes as long as looking at the panel does.
  const sequence = '**/api/camera/sequence';
  await page.route(sequence, (route) => (route.request().method() === 'DELETE' ? route.continue() : undefined));
  await page.keyboard.press('f');
  await panel().and(page.locator('[data-phase="moving"]')).waitFor();
  const stop = panel().getByRole('button', { name: 'STOP' });
  const box = (await stop.boundingBox())!;
  expect(box.height).toBeGreaterThan(0.12 * 800);
  expect(box.width).toBeGreaterThan(0.25 * 1280);
  await page.evaluate(axe.source);
  const { violations } = await page.evaluate(() => (window as unknown as { axe: typeof axe }).axe.run('.motor'));
  expect(violations.map(({ id, nodes }) => `${id}: ${nodes.map(({ html }) => html).join(' ')}`)).toEqual([]);
  await stop.click();
  expect(await end()).toBe('stopped');
  await standsStill(page);
  await page.unroute(sequence);
  await page.keyboard.press('Enter');
});

test('leaving the screen stops it', async () => {
  const { page } = opened;
  await setOff(opened, 4.5);
  await page.keyboard.press('6');
  await standsStill(page);
  await page.keyboard.press('Escape');
  await waitForInstruction(page, 'distance', 'hold');
});

test('it brings the lens into focus, stops there, and tells what it has learned', async () => {
  const { page, problems } = opened;
  await setWorld(page, 'ring', 5.8);
  await page.keyboard.press('f');
  await panel().and(page.locator('[data-phase="ended"]')).waitFor();
  expect(await end(), (await panel().textContent()) ?? '').toBe('in-focus');
  // The scenario's infinity for 24 mm at 12 °C (samples/scenario.json), give or take half the play of the
  // ring and the depth of focus.
  const reached = await ring(page);
  expect(reached).toBeGreaterThan(6.525 - 0.06 - 8.6 / 30);
  expect(reached).toBeLessThan(6.525 + 0.06 + 8.6 / 30);
  // 200 steps a mark, 30 µm a mark.
  const [, learned] = /\d+ moves · ([\d.]+) µm a step/.exec((await panel().textContent())!)!;
  expect(Number(learned)).toBeGreaterThan(0.7 * 0.15);
  expect(Number(learned)).toBeLessThan(1.4 * 0.15);
  await page.keyboard.press('Enter');
  await waitForInstruction(page, 'in-focus', 'write-it-down', 'hold', 'distance');
  expect(problems).toEqual([]);
});

test('a page that is busy sends no steps; one that is closed ends those under way', async () => {
  const { page } = opened;
  const other = await otherPage(opened);
  await setOff(opened, 4.5);
  // Nothing else runs in the page for two seconds.
  const busy = page.evaluate(() => {
    const until = performance.now() + 2000;
    while (performance.now() < until);
  });
  await standsStill(other);
  await busy;
  await page.close();
  await standsStill(other);
});
