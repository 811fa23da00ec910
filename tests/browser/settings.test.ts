import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import type { Settings } from '../../host/api.ts';
import { screenOf } from '../../renderer/settings.ts';
import { type Host, launchBrowser, type OpenPage, openPage, startHost, waitForInstruction } from './support.ts';

let host: Host;
let browser: Browser;
let opened: OpenPage;

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
  await waitForInstruction(opened.page, 'distance');
  await opened.page.keyboard.press('5');
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

async function kept(page: Page): Promise<Settings> {
  return (await page.request.get(new URL('/api/settings', page.url()).href)).json();
}

describe('the settings', () => {
  test('the rehearsal comes with its lens set', async () => {
    expect((await kept(opened.page)).optics).toEqual({ focalMm: 24, fNumber: 2.8, pixelUm: null });
  });

  test('a number is kept when its field is left, a comma will do, and it is there after a reload', async () => {
    const { page } = opened;
    await page.getByLabel('f-number').fill('3,5');
    await page.keyboard.press('Tab');
    await expect.poll(async () => (await kept(page)).optics.fNumber).toBe(3.5);
    await page.reload();
    await page.getByRole('button', { name: /Settings/ }).click();
    expect(await page.getByLabel('f-number').inputValue()).toBe('3.5');
  });

  test('what is changed in the last moment before the page goes is kept', async () => {
    const { page } = opened;
    await page.keyboard.press('Escape');
    const { tint, sound } = screenOf(await kept(page));
    const button = (name: string, pressed: boolean) => page.getByRole('button', { name, pressed }).waitFor();
    await button('T Red picture', tint);
    // The second change waits for the first one's answer, which the page does not live to see.
    await page.route('**/api/settings', () => {}, { times: 1 });
    await page.evaluate(() => {
      for (const key of ['t', 's']) window.dispatchEvent(new KeyboardEvent('keydown', { key }));
      location.reload();
    });
    await button('T Red picture', !tint);
    await button('S Sound', !sound);
    expect((await kept(page)).screen).toMatchObject({ tint: !tint, sound: !sound });
    await page.keyboard.press('t');
    await page.keyboard.press('s');
    await page.keyboard.press('5');
  });

  test.each(['-24', 'wide', '0'])('a focal length of %s is refused with words', async (wrong) => {
    const { page } = opened;
    const field = page.getByLabel('Focal length, mm');
    await field.fill(wrong);
    await page.keyboard.press('Enter');
    expect(await page.getByRole('alert').textContent()).toBe('Type a number above 0');
    expect(await field.inputValue()).toBe(wrong);
    expect((await kept(page)).optics.focalMm).toBe(24);
    await field.fill('24');
    await page.keyboard.press('Enter');
    expect(await page.getByRole('alert').count()).toBe(0);
  });

  test('a mask whose offset would not change with defocus is refused', async () => {
    const { page } = opened;
    // Three strips side by side along the dispersion differ by tan θ only: none at θ near 0.
    await page.getByLabel('Outer gratings turned by').fill('0.05');
    await page.keyboard.press('Enter');
    await page.getByLabel('Zones').selectOption('strips-u');
    await page.getByRole('alert').filter({ hasText: 'k = 0' }).waitFor();
    expect((await kept(page)).mask.layout).toBe('half');
    await page.getByLabel('Outer gratings turned by').fill('');
    await page.keyboard.press('Enter');
    await expect.poll(async () => (await kept(page)).mask.outerAngleDeg).toBe(null);
    expect(await page.getByRole('alert').count()).toBe(0);
  });

  test('how the mask is made and sits is kept, in the units of the mask itself', async () => {
    const { page } = opened;
    await page.getByLabel('Gratings open, %').fill('40');
    await page.getByLabel('Ribs, % of width').fill('31');
    await page.keyboard.press('Enter');
    expect(await page.getByRole('alert').textContent()).toBe('Type a number from 0 to 30');
    await page.getByLabel('Ribs, % of width').fill('3');
    await page.keyboard.press('Enter');
    const mirrored = page.getByRole('button', { name: 'Mirrored' });
    await mirrored.click();
    await page.getByLabel('How it sits').selectOption('Upside down');
    await expect.poll(async () => (await kept(page)).mask.orientation).toBe(-1);
    expect((await kept(page)).mask).toMatchObject({ duty: 0.4, ribD: 0.03, handedness: -1 });
    expect(await mirrored.getAttribute('aria-pressed')).toBe('true');
    await page.getByRole('button', { name: 'Not known' }).click();
    await page.getByLabel('How it sits').selectOption('Not known: the calibration turn tells');
    await expect.poll(async () => (await kept(page)).mask.orientation).toBe(null);
    expect((await kept(page)).mask.handedness).toBe(null);
  });

  test('another camera: the rehearsal lens goes, no old instruction stands, and a failure is told', async () => {
    const { page } = opened;
    const empty = await mkdtemp(join(tmpdir(), 'nightring-empty-'));
    await page.getByLabel('By name').fill(`folder:${empty}`);
    await page.keyboard.press('Enter');
    await expect.poll(async () => (await kept(page)).optics.focalMm).toBe(null);
    expect((await kept(page)).lensName).toBe('');
    // The rehearsal's controls must not ask the camera that is just leaving.
    await page.getByRole('status').filter({ hasText: 'nightring-empty' }).waitFor();
    await page.keyboard.press('Escape');
    await page.keyboard.press('2');
    await page.locator('.headline', { hasText: 'Waiting for pictures' }).waitFor();

    await page.keyboard.press('5');
    await page.getByLabel('By name').fill(`folder:${join(empty, 'not-there')}`);
    await page.keyboard.press('Enter');
    await page.getByRole('status').filter({ hasText: 'not-there' }).waitFor();
    await rm(empty, { recursive: true });

    await page.getByLabel('Found').selectOption('sim');
    await page.keyboard.press('Escape');
    await page.keyboard.press('2');
    await waitForInstruction(page, 'distance');
    expect(opened.problems).toEqual([]);
  });

  test('the calibration turn begins at its key, also from here', async () => {
    const { page } = opened;
    await page.keyboard.press('5');
    await page.keyboard.press('c');
    await page.getByText('Leave the ring alone').waitFor();
    await page.keyboard.press('Escape');
    await waitForInstruction(page, 'distance');
    await page.keyboard.press('5');
    await page.keyboard.press('2');
    await waitForInstruction(page, 'distance');
  });
});

test('cameras are looked for again when something is plugged in', async () => {
  const { page, context } = await openPage(browser, 'about:blank');
  let plug = () => {};
  await page.routeWebSocket(/\/live$/, (client) => {
    client.connectToServer();
    plug = () => client.send(JSON.stringify({ type: 'usb' }));
  });
  let looks = 0;
  page.on('request', (request) => {
    if (request.url().endsWith('/api/cameras')) looks++;
  });
  await page.goto(host.url);
  await page.getByRole('button', { name: /Settings/ }).click();
  await expect.poll(() => looks).toBe(1);
  plug();
  await expect.poll(() => looks).toBe(2);
  await page.evaluate(() => navigator.mediaDevices.dispatchEvent(new Event('devicechange')));
  await expect.poll(() => looks).toBe(3);
  await context.close();
});
