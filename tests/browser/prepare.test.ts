import { mkdtemp, readFile, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import type { Settings } from '../../host/api.ts';
import { type Host, launchBrowser, type OpenPage, openPage, startHost } from './support.ts';

const EVENING = '2026-11-25T20:00:00Z';
const AFTERNOON = '2026-11-25T13:00:00Z';

let host: Host;
let browser: Browser;
let opened: OpenPage;

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
  // An hour before UTC, as befits the rehearsal's place.
  const devTools = await opened.context.newCDPSession(opened.page);
  await devTools.send('Emulation.setTimezoneOverride', { timezoneId: 'Etc/GMT-1' });
  await at(opened.page, EVENING);
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

/** The page anew, at another time of this computer's clock. */
async function at(page: Page, timeUtc: string): Promise<void> {
  await page.clock.setFixedTime(new Date(timeUtc));
  await page.reload();
  await lensIsSet(page);
  await page.keyboard.press('1');
}

/** The rehearsal's lens, which the focus page sets at its first start, and by which brightness is judged. */
async function lensIsSet(page: Page): Promise<void> {
  await page.getByText('Rehearsal lens · 24 mm').waitFor();
}

async function kept(page: Page): Promise<Settings> {
  return (await page.request.get(new URL('/api/settings', page.url()).href)).json();
}

const targets = (page: Page) => page.getByRole('region', { name: 'Focus on' }).getByRole('button');
const pressed = (page: Page) => page.locator('.targets [aria-pressed="true"] strong').textContent();
const picture = (name: string) => join(import.meta.dirname, '..', 'reference', 'fixtures', 'gps', name);

describe('prepare', () => {
  test('the field card comes first, once; then it is on the help page', async () => {
    const { page } = opened;
    await page.getByRole('heading', { name: 'Before you go out' }).waitFor();
    await page.getByText('Tell someone where you are').waitFor();
    await page.keyboard.press('Enter');
    await page.getByRole('heading', { name: 'Before you go out' }).waitFor({ state: 'detached' });
    await at(page, EVENING);
    await page.getByRole('heading', { name: 'Focus on' }).waitFor();
    expect(await page.getByRole('heading', { name: 'Before you go out' }).count()).toBe(0);
    await page.keyboard.press('6');
    await page.getByText('Tell someone where you are').waitFor();
    await page.keyboard.press('1');
  });

  test('the best targets stand in order, with where and why; keys choose one and it is kept', async () => {
    const { page } = opened;
    // Placed by PyEphem and astropy: Saturn 45° high in the south (tests/reference/fixtures/sky.json).
    await expect
      .poll(() => targets(page).first().textContent())
      .toMatch(/^SaturnS 186°, 45° high.*near your pictures.*mag\s0\.\d+, air\s1\.4/);
    // Civil dusk and dawn 16:21:05 and 06:09:38 UTC, moonrise 16:07:26 by PyEphem.
    await page.getByText('civil 17:21 – 07:09').waitFor();
    await page.getByText('up 17:07').waitFor();
    expect(await pressed(page)).toBe('Saturn');
    await page.keyboard.press('ArrowDown');
    await expect.poll(() => pressed(page)).toBe('Capella');
    await expect.poll(async () => (await kept(page)).target).toBe('Capella');
    await page.keyboard.press('4');
    await expect.poll(() => page.getByLabel('Star or planet').inputValue()).toBe('Capella');
    await page.keyboard.press('Escape');
    await page.keyboard.press('1');
    await page.getByRole('img', { name: /Chart of the sky.*Capella, Saturn/ }).waitFor();
  });

  test('the arrow keys look on through the night, and back to now', async () => {
    const { page } = opened;
    const looked = page.getByRole('region', { name: 'Focus on' }).getByRole('status');
    const now = await looked.textContent();
    expect(now).toBe('Now 21:00');
    for (let halfHours = 0; halfHours < 8; halfHours++) await page.keyboard.press('ArrowRight');
    await expect.poll(() => looked.textContent()).toBe('At 01:00');
    await page.locator('.targets strong', { hasText: 'Vega' }).waitFor({ state: 'detached' });
    await page.locator('.targets strong', { hasText: 'Sirius' }).waitFor();
    for (let halfHours = 0; halfHours < 9; halfHours++) await page.keyboard.press('ArrowLeft');
    await expect.poll(() => looked.textContent()).toBe(now);
  });

  test('an obstacle hides what is below it', async () => {
    const { page } = opened;
    await page.locator('.targets strong', { hasText: 'Vega' }).waitFor();
    await page.getByLabel('Nothing seen below').fill('40');
    await page.keyboard.press('Enter');
    await page.locator('.targets strong', { hasText: 'Vega' }).waitFor({ state: 'detached' });
    await page.getByLabel('Nothing seen below').fill('12');
    await page.keyboard.press('Enter');
  });

  test('Enter goes on to the ring', async () => {
    const { page } = opened;
    await page.keyboard.press('Escape');
    await page.keyboard.press('Enter'); // the caution of the start
    await page.keyboard.press('1');
    await page.getByRole('region', { name: 'Next step' }).waitFor();
    await page.keyboard.press('Enter');
    await page.getByRole('region', { name: 'What to do now' }).waitFor();
    await page.keyboard.press('1');
  });

  test('what lens and sky allow is worked out once the sensor’s pixel is known; a wrong number is said', async () => {
    const { page } = opened;
    const panel = page.getByRole('region', { name: 'What lens and sky allow' });
    await panel.getByText('The size of a sensor pixel is not known').waitFor();
    await panel.getByLabel('Sensor pixel').fill('4.4');
    await page.keyboard.press('Enter');
    // f²/(N c) of 24 mm, f/2.8 and a pixel of blur; a pixel at the sidereal rate.
    await panel.getByText('47 m', { exact: true }).waitFor();
    await panel.getByText('2.5 s', { exact: true }).waitFor();
    await panel.getByLabel('Blur and trail').fill('2');
    await page.keyboard.press('Enter');
    await panel.getByText('23 m', { exact: true }).waitFor();
    await panel.getByText('5 s', { exact: true }).waitFor();
    await expect.poll(async () => (await kept(page)).calculator).toMatchObject({ blurPx: 2, pixelUm: 4.4 });
    // The Moon is up and full.
    await panel.getByText(/Now 1[78]\.\d, by Moon and twilight/).waitFor();
    await panel.getByLabel('Sky, mag').fill('99');
    await page.keyboard.press('Enter');
    await panel.getByRole('alert').filter({ hasText: 'from 0 to 30' }).waitFor();
    await panel.getByLabel('Sky, mag').fill('21');
    await page.keyboard.press('Enter');
  });

  test('the place comes from a picture, or is typed; what is wrong is said and nothing lost', async () => {
    const { page } = opened;
    await page.getByRole('button', { name: 'Change' }).click();
    await page.getByLabel('From a picture').setInputFiles(picture('none.jpg'));
    await page.getByRole('alert').filter({ hasText: 'holds no position' }).waitFor();
    await page.getByLabel('From a picture').setInputFiles(picture('south-west.jpg'));
    await expect.poll(async () => (await kept(page)).place?.latitudeDeg).toBeCloseTo(-33.252, 6);
    expect((await kept(page)).place).toMatchObject({ elevationM: -12, horizonDeg: 12, towardsDeg: 180 });
    expect(await page.getByRole('alert').count()).toBe(0);
    // The next shot, as a camera with a receiver would take it.
    await page.route('**/api/camera/capture', async (route) =>
      route.fulfill({
        body: await readFile(picture('north-east.jpg')),
        headers: { 'x-frame': '{"sequence":0,"timeUtc":"2026-01-17T20:04:05Z","name":"shot","mode":{"kind":"still"}}' },
      }),
    );
    await page.getByRole('button', { name: 'From the camera' }).click();
    await expect.poll(async () => (await kept(page)).place?.latitudeDeg).toBeCloseTo(46.51, 6);
    await page.unroute('**/api/camera/capture');
    await page.getByLabel('From a picture').setInputFiles(picture('south-west.jpg'));
    await page.getByText(/clock is 6 h ahead of the Sun’s time there/).waitFor();

    const latitude = page.getByLabel('Latitude');
    await latitude.fill('95');
    await page.keyboard.press('Enter');
    await page.getByRole('alert').filter({ hasText: 'from -90 to 90' }).waitFor();
    await latitude.fill('46');
    await page.getByLabel('Longitude').fill('8');
    await page.keyboard.press('Enter');
    await expect.poll(async () => (await kept(page)).place).toMatchObject({ latitudeDeg: 46, longitudeDeg: 8 });
    await page.getByRole('button', { name: 'Done' }).click();
  });

  test('by day: the Sun’s place, eyes, sensor and shutter; what is near it is refused; also on the focus page', async () => {
    const { page } = opened;
    await at(page, AFTERNOON);
    await page.getByText(/The Sun is up, SSW 206°, 19° high\. Eyes: .* Sensor and shutter: /).waitFor();
    // Planned is the dusk to come; looked at now, the planets beside the Sun are refused.
    for (let halfHours = 0; halfHours < 9; halfHours++) await page.keyboard.press('ArrowLeft');
    await page.getByText('Too bright a sky for stars').waitFor();
    await page.getByText(/Mercury refused: \d+° from the Sun, which is up/).waitFor();
    await page.keyboard.press('2');
    const caution = page.getByRole('region', { name: 'Caution' });
    expect(await caution.textContent()).toMatch(
      /Never point lens, mask or live view at or near the Sun.*The Sun is up/,
    );
    await page.keyboard.press('Enter');
    await caution.waitFor({ state: 'detached' });
    // Night, then day again, without a new start: as when the Sun comes up over a tripod left standing.
    await page.clock.setFixedTime(new Date('2026-11-26T05:00:00Z'));
    await page.keyboard.press('1');
    await page.getByText(/The Sun is up/).waitFor({ state: 'detached' });
    await page.keyboard.press('2');
    await page.clock.setFixedTime(new Date('2026-11-26T07:00:00Z'));
    await caution.waitFor();
    expect(await caution.textContent()).toMatch(/The Sun is up, ESE \d+°, 2° high/);
    await page.keyboard.press('Enter');
  });

  test('the rehearsal’s place says nothing of a real evening', async () => {
    const { page, problems } = opened;
    // Before the camera changes: what it is asked while it leaves is refused, and the browser logs that.
    expect(problems).toEqual([]);
    const settings = await kept(page);
    const headers = { origin: new URL(page.url()).origin };
    await page.request.put(new URL('/api/settings', page.url()).href, { data: { ...settings, place: null }, headers });
    await page.reload();
    await lensIsSet(page);
    await page.keyboard.press('1');
    await page.getByText('Quillback Ridge (invented)').waitFor();
    const empty = await mkdtemp(join(tmpdir(), 'nightring-empty-'));
    await page.request.post(new URL('/api/camera', page.url()).href, { data: { name: `folder:${empty}` }, headers });
    await page.getByText('With the place set, Nightring knows where it stands.').waitFor();
    await page.getByLabel('Latitude').waitFor();
    expect(await page.getByText('Quillback Ridge').count()).toBe(0);
    await rm(empty, { recursive: true });
  });
});
