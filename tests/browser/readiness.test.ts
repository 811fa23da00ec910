/** The readiness list, the roles' mapping, and magnifying from the screen, with the simulated camera. */
import { readFile } from 'node:fs/promises';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
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

const settings = async (page: Page) => (await page.request.get(new URL('/api/settings', page.url()).href)).json();
const configured = async (page: Page, name: string) => {
  const config = await (await page.request.get(new URL('/api/camera/config', page.url()).href)).json();
  return config.find((value: { name: string }) => value.name === name).value;
};

describe('on the screen that prepares', () => {
  const point = (role: string) => opened.page.locator(`.readiness li[data-role="${role}"]`);

  test('each point is fine, to change or for the hand, as the camera reports it', async () => {
    const { page } = opened;
    await setWorld(page, 'magnification', 1);
    await page.keyboard.press('1');
    await expect.poll(() => point('magnify').getAttribute('data-state')).toBe('change');
    const states = Object.fromEntries(
      await page
        .locator('.readiness li')
        .evaluateAll((points) => points.map((one) => [one.getAttribute('data-role'), one.getAttribute('data-state')])),
    );
    // As the scenario has it (samples/scenario.json): stabilisation is on, the clock is three minutes slow.
    expect(states).toEqual({
      focusMode: 'fine',
      stabilisation: 'change',
      exposureMode: 'fine',
      iso: 'fine',
      shutter: 'fine',
      aperture: 'fine',
      magnify: 'change',
      battery: 'fine',
      card: 'by-hand',
      clock: 'change',
    });
  });

  test('one click sets one point right; a key sets all', async () => {
    const { page, problems } = opened;
    await page.getByRole('button', { name: 'Set Off: Stabilisation' }).click();
    await expect.poll(() => point('stabilisation').getAttribute('data-state')).toBe('fine');
    expect(await configured(page, 'stabilisation')).toBe('Off');
    expect(await point('clock').getAttribute('data-state')).toBe('change');
    await page.keyboard.press('a');
    await expect.poll(() => point('clock').getAttribute('data-state')).toBe('fine');
    await expect.poll(() => point('magnify').getAttribute('data-state')).toBe('fine');
    expect(Math.abs(Number(await configured(page, 'clock')) - Date.now() / 1000)).toBeLessThan(60);
    expect(problems).toEqual([]);
  });

  test('one that is refused does not keep the others from being set; the refusal is shown', async () => {
    const { page, problems } = opened;
    await setWorldText(page, 'stabilisation', 'On');
    await setWorldText(page, 'focusMode', 'Automatic');
    await page.keyboard.press('r');
    await expect.poll(() => point('focusMode').getAttribute('data-state')).toBe('change');
    let refused = false;
    await page.route('**/api/camera/sequence', (route) => {
      if (refused) return route.continue();
      refused = true;
      return route.fulfill({ status: 409, json: { error: 'the lens does not allow it', code: 'refused' } });
    });
    await page.keyboard.press('a');
    await expect.poll(() => point('stabilisation').getAttribute('data-state')).toBe('fine');
    expect(await point('focusMode').getAttribute('data-state')).toBe('change');
    await page.getByRole('alert').filter({ hasText: 'the lens does not allow it' }).waitFor();
    await page.keyboard.press('a');
    await expect.poll(() => point('focusMode').getAttribute('data-state')).toBe('fine');
    await page.unroute('**/api/camera/sequence');
    // As the browser notes it.
    expect(problems.splice(0)).toEqual([expect.stringMatching(/status of 409/)]);
  });

  test('sees a dial that is turned, and what it takes a hand for', async () => {
    const { page } = opened;
    await setWorldText(page, 'exposureMode', 'A');
    await page.keyboard.press('r');
    await expect.poll(() => point('exposureMode').getAttribute('data-state')).toBe('change');
    await setWorldText(page, 'exposureMode', 'M');
    await page.keyboard.press('r');
    await expect.poll(() => point('exposureMode').getAttribute('data-state')).toBe('fine');
  });

  test('lens and aperture are read from the camera, follow its zoom, and yield to what is typed', async () => {
    const { page } = opened;
    await expect.poll(async () => (await settings(page)).lensName).toBe('Rehearsal lens');
    expect((await settings(page)).optics).toMatchObject({ focalMm: 24, fNumber: 2.8 });
    await page.getByText('Read from the camera: Rehearsal lens, 24 mm, f/2.8, live pixel').waitFor();
    await setWorld(page, 'focalMm', 50);
    await page.keyboard.press('r');
    await expect.poll(async () => (await settings(page)).optics.focalMm).toBe(50);

    await page.keyboard.press('5');
    const field = page.getByLabel('Focal length, mm').first();
    await page.getByText('Read from the camera.').first().waitFor();
    await field.fill('35');
    await page.keyboard.press('Enter');
    await page.keyboard.press('Escape');
    await page.keyboard.press('1');
    await page.keyboard.press('r');
    await page.getByText('Read from the camera: Rehearsal lens, f/2.8, live pixel').waitFor();
    await expect.poll(async () => (await settings(page)).optics.focalMm).toBe(35);
    await setWorld(page, 'focalMm', 24);
  });
});

describe('a pasted configuration list', () => {
  test('is mapped role by role, corrected, and kept', async () => {
    const { page, problems } = opened;
    await page.keyboard.press('Escape');
    await page.keyboard.press('5');
    const list = await readFile(new URL('../reference/fixtures/config-0x0B.txt', import.meta.url), 'utf8');
    const paste = page.getByLabel('Configuration list');
    await paste.fill('nothing of the kind');
    await page.getByRole('button', { name: 'Try it' }).click();
    await page.getByText('this is no configuration list').waitFor();
    // At once, as from the clipboard: typed line by line it would be laid out anew for each.
    await paste.evaluate((box: HTMLTextAreaElement, text) => {
      box.value = text;
    }, list);
    await page.getByRole('button', { name: 'Try it' }).click();
    await page.getByText('Found for Night Ring Test Camera').waitFor();
    expect(await page.getByLabel('Focus motor', { exact: true }).inputValue()).toBe('manualfocusdrive');
    expect(await page.getByLabel('Stabilisation').inputValue()).toBe('');
    // What has no level that shows more is none of the known forms.
    const unknown = page.getByText('of no known form');
    expect(await unknown.count()).toBe(0);
    await page.getByLabel('Live-view magnification').selectOption('meteringmode');
    await unknown.waitFor();
    await page.getByLabel('Live-view magnification').selectOption('eoszoom');
    await unknown.waitFor({ state: 'detached' });
    await page.getByLabel('Automatic sensitivity').selectOption('meteringmode');
    await page.getByLabel('Battery').selectOption('');
    await page.getByRole('button', { name: 'Keep this' }).click();
    await page.getByText('Kept for Night Ring Test Camera').waitFor();
    await expect.poll(async () => (await settings(page)).bodyRoles.length).toBe(1);
    expect((await settings(page)).bodyRoles[0]).toMatchObject({
      body: 'Night Ring Test Camera',
      names: { magnify: 'eoszoom', isoAuto: 'meteringmode', battery: null, focalMm: null },
    });
    await page.getByRole('button', { name: 'Forget it' }).last().click();
    await expect.poll(async () => (await settings(page)).bodyRoles).toEqual([]);
    expect(problems).toEqual([]);
  });
});

test('M magnifies live view and shows the whole field again', async () => {
  const { page } = opened;
  await page.keyboard.press('Escape');
  await setWorld(page, 'magnification', 1);
  // Frames that were on their way still show it magnified, and M would then take it back to what it is.
  const collected = await collectReadings(page);
  await expect.poll(async () => (await collected()).length).toBeGreaterThan(3);
  const button = page.locator('.controls').getByRole('button', { name: 'M Magnify' });
  await expect.poll(() => button.getAttribute('aria-pressed')).toBe('false');
  await page.keyboard.press('m');
  await expect.poll(() => configured(page, 'magnification')).toBe('10');
  await expect.poll(() => button.getAttribute('aria-pressed')).toBe('true');
  await button.click();
  await expect.poll(() => configured(page, 'magnification')).toBe('1');
});

/** As setWorld, for values that are words. */
async function setWorldText(page: Page, name: string, value: string): Promise<void> {
  const headers = { origin: new URL(page.url()).origin };
  const url = new URL('/api/camera/config', page.url()).href;
  expect((await page.request.put(url, { data: { name, value }, headers })).ok()).toBe(true);
}
