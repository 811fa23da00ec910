/**
 * Makes pictures of every screen with the simulated camera, to be looked at.
 * Usage: node tests/browser/screenshots.ts FOLDER [PART …], the parts being those of PARTS below and "faint" and "lost"
 */
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Page } from 'playwright-core';
import { ABOUT_FILE, FORMAT, INDEX_FILE, VERSION } from '../../host/recording/format.ts';
import { driftingStar } from '../bench/drifting.ts';
import { encodeJpeg } from '../support/encode.ts';
import { calibrateByKeys, launchBrowser, openPage, setWorld, startHost, waitForInstruction } from './support.ts';

const SIZES = [
  { width: 1280, height: 800 },
  { width: 2560, height: 1440 },
];
const [folder, ...only] = process.argv.slice(2);
if (!folder) throw new Error('say where to put the pictures: node tests/browser/screenshots.ts FOLDER [PART …]');
mkdirSync(folder, { recursive: true });

/** Parts of the evening, each from a fresh start. */
const PARTS: Record<string, (page: Page) => Promise<void>> = { prepare, focus, motor, prove, refocus, settings, large };

const browser = await launchBrowser();
try {
  for (const [part, show] of Object.entries(PARTS)) {
    if (only.length > 0 && !only.includes(part)) continue;
    await withHost('sim', async (page) => {
      await waitForInstruction(page, 'distance');
      await show(page);
    });
  }
  if (only.length === 0 || only.includes('faint')) await withHost(`replay:${await faintStar()}`, faint);
  if (only.length === 0 || only.includes('lost')) await withHost('ptpip:127.0.0.1:9:9', lost);
} finally {
  await browser.close();
}

async function withHost(camera: string, show: (page: Page) => Promise<void>): Promise<void> {
  const host = await startHost(camera);
  try {
    const { page, context, problems } = await openPage(browser, host.url);
    await show(page);
    for (const problem of problems) console.error(problem);
    await context.close();
  } finally {
    await host.stop();
  }
}

async function picture(page: Page, name: string): Promise<void> {
  for (const size of SIZES) {
    await page.setViewportSize(size);
    await page.waitForTimeout(700);
    await page.screenshot({ path: join(folder, `${name}-${size.width}.png`) });
  }
  await page.setViewportSize(SIZES[0]);
}

/** The same, and what is seen of a page scrolled down as far as it goes. */
async function wholePage(page: Page, name: string): Promise<void> {
  await picture(page, name);
  for (let at = 1; ; at++) {
    const moved = await page
      .locator('.page')
      .first()
      .evaluate((element) => {
        const before = element.scrollTop;
        element.scrollTop += 0.9 * element.clientHeight;
        return element.scrollTop > before;
      });
    if (!moved) return;
    await page.waitForTimeout(200);
    await page.screenshot({ path: join(folder, `${name}-${SIZES[0].width}-${at}.png`) });
  }
}

async function prepare(page: Page): Promise<void> {
  await page.keyboard.press('1');
  await picture(page, '00-field-card');
  await page.keyboard.press('Enter');
  await wholePage(page, '01-prepare');
}

async function focus(page: Page): Promise<void> {
  await picture(page, '10-start');
  await page.keyboard.press('Enter');
  await page.keyboard.press('c');
  await page.getByText('Begin').waitFor();
  await picture(page, '11-calibration-before');
  await page.keyboard.press('Enter');
  await page.getByText('Turn a little').waitFor();
  await picture(page, '12-calibration-turn');
  await page.keyboard.press('Escape');
  await calibrateByKeys(page, 5, 0.6);
  await waitForInstruction(page, 'turn');
  await picture(page, '13-turn');
  await setWorld(page, 'ring', 9);
  await waitForInstruction(page, 'passed', 'turn', 'no-pattern');
  await page.waitForTimeout(1500);
  await picture(page, '14-far');
  await setWorld(page, 'ring', 6.525);
  await waitForInstruction(page, 'in-focus', 'write-it-down');
  await picture(page, '15-in-focus');
  await setWorld(page, 'magnification', 1);
  await page.waitForTimeout(3000);
  await picture(page, '16-whole-field');
  await setWorld(page, 'magnification', 10);
  await page.keyboard.press('t');
  await page.waitForTimeout(2000);
  await picture(page, '17-colour');
  await page.keyboard.press('t');
}

async function motor(page: Page): Promise<void> {
  await page.keyboard.press('Enter');
  await page.keyboard.press('f');
  await picture(page, '20-motor');
  await page.locator('[data-phase="ended"]').waitFor({ timeout: 60_000 });
  await picture(page, '21-motor-ended');
}

/** Focus written down, then another zoom. */
async function refocus(page: Page): Promise<void> {
  await page.keyboard.press('Enter');
  await calibrateByKeys(page, 5, 0.6);
  await setWorld(page, 'ring', 6.525);
  await waitForInstruction(page, 'in-focus', 'write-it-down');
  await page.keyboard.press('l');
  await page.locator('input[value="6.53"]').waitFor();
  await page.getByLabel('Star or planet').fill('Lantern Star');
  await page.getByLabel('Note').fill('calm, a little haze in the east');
  await page.keyboard.press('Enter');
  await page.getByText('Saved.').waitFor();
  await wholePage(page, '40-notebook');
  await page.keyboard.press('Escape');
  await setWorld(page, 'focalMm', 50);
  await page.getByRole('button', { name: /Not now/ }).waitFor({ timeout: 30_000 });
  await picture(page, '41-refocus');
  await page.keyboard.press('4');
  await picture(page, '42-refocus-notebook');
}

async function prove(page: Page): Promise<void> {
  await page.keyboard.press('Enter');
  await page.keyboard.press('3');
  await page.getByRole('button', { name: /mask off/ }).waitFor();
  await picture(page, '30-no-shot');
  await page.keyboard.press('p');
  await page.getByText('Back to live view').waitFor({ timeout: 60_000 });
  await picture(page, '31-mask-shot');
  await setWorld(page, 'ring', 5.5);
  await page.keyboard.press('r');
  await page.keyboard.press('p');
  const map = page.getByRole('img', { name: /Half-flux radius/ });
  await map.waitFor({ timeout: 100_000 });
  await picture(page, '32-maskless');
  await setWorld(page, 'ring', 6.525);
  await page.keyboard.press('p');
  await page.locator('.headline', { hasText: 'than before' }).waitFor({ timeout: 100_000 });
  await picture(page, '33-before-after');
}

async function settings(page: Page): Promise<void> {
  await page.keyboard.press('5');
  await wholePage(page, '50-settings');
  await page.keyboard.press('6');
  await wholePage(page, '51-help');
}

/** A recording of a star whose spots are lost in the noise of each frame. */
async function faintStar(): Promise<string> {
  const into = mkdtempSync(join(tmpdir(), 'nightring-faint-'));
  process.once('exit', () => rmSync(into, { recursive: true }));
  const startMs = Date.now();
  const about = { format: FORMAT, version: VERSION, camera: 'sim', startedUtc: new Date(startMs).toISOString() };
  writeFileSync(join(into, ABOUT_FILE), JSON.stringify(about));
  const segment = join(into, '000000');
  mkdirSync(segment);
  const { frame: expose } = driftingStar(0.5, 7);
  const mode = { kind: 'live', magnification: 10, pixelUm: 4 };
  const lines: string[] = [];
  for (let n = 0; n < 200; n++) {
    const bytes = await encodeJpeg(expose(0.05 * n - 5, 0), 100);
    const name = `${String(n).padStart(6, '0')}.jpg`;
    writeFileSync(join(segment, name), bytes);
    const timeUtc = new Date(startMs + 200 * n).toISOString();
    const frame = { frame: n, file: name, bytes: bytes.length, sequence: n, timeUtc, name, mode, anew: n === 0 };
    lines.push(JSON.stringify({ type: 'frame', ...frame }));
  }
  writeFileSync(join(segment, INDEX_FILE), `${lines.join('\n')}\n`);
  return into;
}

async function faint(page: Page): Promise<void> {
  await page.keyboard.press('Enter');
  await page.keyboard.press('2');
  await waitForInstruction(page, 'no-pattern');
  await page.getByText('Faint star').waitFor({ timeout: 60_000 });
  await picture(page, '18-faint-star');
}

async function lost(page: Page): Promise<void> {
  await page.locator('[data-kind="camera-lost"]').waitFor({ timeout: 60_000 });
  await picture(page, '60-camera-lost');
}

async function large(page: Page): Promise<void> {
  await page.keyboard.press('5');
  await page.getByLabel('Text size').selectOption('150');
  for (const [key, name] of ['prepare', 'focus', 'prove', 'notebook', 'settings'].entries()) {
    await page.keyboard.press(String(key + 1));
    await picture(page, `7${key}-${name}-large-text`);
    if (key === 0) await page.keyboard.press('Escape');
  }
}
