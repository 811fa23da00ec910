/** Kit, where to start, and the watch over focus, as the evening goes: by keyboard, on the simulated camera. */
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import type { Settings } from '../../host/api.ts';
import {
  calibrateByKeys,
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

let empty: string;

beforeAll(async () => {
  empty = await mkdtemp(join(tmpdir(), 'nightring-empty-'));
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
  await waitForInstruction(opened.page, 'distance');
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
  await rm(empty, { recursive: true });
});

async function kept(page: Page): Promise<Settings> {
  return (await page.request.get(new URL('/api/settings', page.url()).href)).json();
}

const panel = (page: Page, title: string) =>
  page.locator('section.panel').filter({ has: page.getByRole('heading', { name: title, exact: true }) });

describe('the kit', () => {
  test('a lens in use is kept, another one added from its physics; each with what was learned of it', async () => {
    const { page } = opened;
    await calibrateByKeys(page, 5, 0.6);
    await waitForInstruction(page, 'turn');
    const { calibration } = await kept(page);
    expect(calibration).not.toBe(null);

    await page.keyboard.press('5');
    const lens = panel(page, 'Lens');
    await lens.getByRole('button', { name: 'Keep in the kit' }).click();
    await lens.getByLabel('Longest, mm').fill('50');
    await lens.getByLabel('Scale from').fill('0');
    await lens.getByLabel('to', { exact: true }).fill('10');
    await page.keyboard.press('Tab');
    await lens.getByLabel('Numbers rise').selectOption('clockwise');
    await lens.getByLabel('Add to the kit').selectOption({ label: '35 mm f/1.4' });
    await expect.poll(async () => (await kept(page)).lensName).toBe('35 mm f/1.4');
    const other = await kept(page);
    expect(other).toMatchObject({ optics: { focalMm: 35, fNumber: 1.4 }, calibration: null });
    expect(other.kit.lenses).toMatchObject([
      {
        name: 'Rehearsal lens',
        focalMinMm: 24,
        focalMaxMm: 50,
        ring: { unit: 'marks', from: 0, to: 10, rising: 'clockwise' },
      },
      { name: '35 mm f/1.4', focalMinMm: 35, focalMaxMm: 35 },
    ]);

    await lens.getByLabel('In use').selectOption('Rehearsal lens');
    await expect.poll(async () => (await kept(page)).lensName).toBe('Rehearsal lens');
    expect(await kept(page)).toMatchObject({ optics: { focalMm: 35, fNumber: 2.8 }, calibration });
    await lens.getByLabel('Focal length, mm').fill('24');
    await lens.getByLabel('Name').fill('Zoom');
    await page.keyboard.press('Enter');
    await expect.poll(async () => (await kept(page)).lensName).toBe('Zoom');
    expect((await kept(page)).kit.calibrations).toMatchObject([{ lens: 'Zoom', mask: 'half-and-quarters mask' }]);
  });

  test('mask and body are chosen on the prepare page, and are there after a reload', async () => {
    const { page } = opened;
    await panel(page, 'Mask').getByRole('button', { name: 'Keep in the kit' }).click();
    await panel(page, 'Mask').getByLabel('Add to the kit').selectOption({ index: 2 });
    await expect.poll(async () => (await kept(page)).mask.pitchUm).toBe(150);
    expect((await kept(page)).calibration).toBe(null);
    await panel(page, 'Camera body').getByLabel('Add to the kit').selectOption({ index: 1 });
    await expect.poll(async () => (await kept(page)).body).not.toBe('');

    await page.keyboard.press('1');
    const kit = panel(page, 'On the tripod');
    await kit.getByLabel('Mask').selectOption('half-and-quarters mask');
    await expect.poll(async () => (await kept(page)).calibration).not.toBe(null);
    expect((await kept(page)).mask.pitchUm).toBe(null);
    await page.reload();
    await waitForInstruction(page, 'turn');
    await page.keyboard.press('1');
    expect(await kit.getByLabel('Lens').inputValue()).toBe('Zoom');
    expect(await kit.getByLabel('Camera body').inputValue()).toBe((await kept(page)).body);
    expect(opened.problems).toEqual([]);
  });
});

describe('the notebook’s memory and the watch', () => {
  test('before the first focus it says the ∞ mark; after it, where to start', async () => {
    const { page } = opened;
    const start = panel(page, 'Where to start');
    await start.getByText('At the ∞ mark').waitFor();
    await page.keyboard.press('2');
    expect(await page.getByText(/^Start at/).count()).toBe(0);
    await setWorld(page, 'ring', 6.525);
    await waitForInstruction(page, 'in-focus', 'write-it-down');
    await page.keyboard.press('l');
    await expect.poll(() => page.getByLabel('Ring reads').inputValue()).toBe('6.53');
    await page.keyboard.press('Enter');
    await page.getByText('Saved.').waitFor();
    const memory = panel(page, 'What the ring of Zoom does');
    expect(await memory.textContent()).toMatch(/In focus at 24 mm and \d+(\.\d)? °C6\.5 ± 0\.\d marks/);
    await page.keyboard.press('Escape');
    await page.keyboard.press('1');
    await start.getByText(/^6\.5 ± 0\.\d marks$/).waitFor();
    await start.getByText(/from 1 entry in focus/).waitFor();
  });

  test('a zoom asks once for focusing again: G leads there, L writes down', async () => {
    const { page } = opened;
    // Also over a new start of the page focus holds: nothing to start for.
    await page.reload();
    await waitForInstruction(page, 'in-focus', 'write-it-down');
    expect(await page.getByText(/^Start at/).count()).toBe(0);
    await page.getByLabel('Zoom', { exact: true }).selectOption('50');
    const prompt = page.getByRole('region', { name: 'Focus again' });
    await prompt.getByText('Zoomed from 24 to 50 mm since focus was found.').waitFor();
    await page.keyboard.press('4');
    await page.getByLabel('Ring reads').waitFor();
    await prompt.waitFor();
    await page.keyboard.press('Escape');
    await page.keyboard.press('g');
    await prompt.waitFor({ state: 'detached' });
    await page.getByText(/^Start at 6\.\d ± /).waitFor();
    await page.keyboard.press('l');
    await page.getByLabel('Ring reads').waitFor();
    expect(await page.getByLabel('Focal length, mm').inputValue()).toBe('50');
    await page.keyboard.press('Escape');
  });

  test('cold asks, too, and can be set aside', async () => {
    const { page } = opened;
    await page.keyboard.press('2');
    await page.getByLabel('Zoom', { exact: true }).selectOption('24');
    await waitForInstruction(page, 'in-focus', 'write-it-down');
    await page.keyboard.press('l');
    await page.getByLabel('Ring reads').waitFor();
    await page.keyboard.press('Enter');
    await page.getByText('Saved.').waitFor();
    // Before the camera is changed: whoever asks the old one in that moment is refused, which the browser logs.
    expect(opened.problems).toEqual([]);
    // The mask is off, the night goes on: a camera without live view, and the temperature as it is read and typed.
    await page.keyboard.press('Escape');
    await page.keyboard.press('5');
    await page.getByLabel('By name').fill(`folder:${empty}`);
    await page.keyboard.press('Enter');
    await expect.poll(async () => (await kept(page)).camera).toBe(`folder:${empty}`);
    await page.keyboard.press('Escape');
    await page.keyboard.press('1');
    const temperature = panel(page, 'Where to start').getByLabel('Temperature now');
    await temperature.fill('3');
    await page.keyboard.press('Enter');
    const prompt = page.getByRole('region', { name: 'Focus again' });
    await prompt.getByText(/^9\.\d °C colder than at focus/).waitFor();
    await prompt.getByRole('button', { name: 'Not now' }).click();
    await prompt.waitFor({ state: 'detached' });
    await temperature.fill('-20');
    await page.keyboard.press('Enter');
    await prompt.getByText(/^23\.0 °C colder than at focus/).waitFor();
  });
});
