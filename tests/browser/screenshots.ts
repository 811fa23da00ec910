/**
 * Makes pictures of every screen with the simulated camera, to be looked at.
 * Usage: node tests/browser/screenshots.ts FOLDER
 */
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import type { Page } from 'playwright-core';
import { calibrateByKeys, launchBrowser, openPage, setWorld, startHost, waitForInstruction } from './support.ts';

const SIZES = [
  { width: 1280, height: 800 },
  { width: 2560, height: 1440 },
];
const folder = process.argv[2];
if (!folder) throw new Error('say where to put the pictures: node tests/browser/screenshots.ts FOLDER');
mkdirSync(folder, { recursive: true });

const host = await startHost();
const browser = await launchBrowser();
try {
  const { page, problems } = await openPage(browser, host.url);
  await tour(page);
  for (const problem of problems) console.error(problem);
} finally {
  await browser.close();
  await host.stop();
}

async function picture(page: Page, name: string): Promise<void> {
  for (const size of SIZES) {
    await page.setViewportSize(size);
    await page.waitForTimeout(700);
    await page.screenshot({ path: join(folder, `${name}-${size.width}.png`) });
  }
}

async function tour(page: Page): Promise<void> {
  await waitForInstruction(page, 'distance');
  await picture(page, '01-start');
  await page.keyboard.press('Enter');
  await page.keyboard.press('1');
  await picture(page, '00-field-card');
  await page.keyboard.press('Enter');
  await picture(page, '00-prepare');
  await page.keyboard.press('Enter');

  await page.keyboard.press('c');
  await page.getByText('Begin').waitFor();
  await picture(page, '02-calibration-before');
  await page.keyboard.press('Enter');
  await page.getByText('Turn a little').waitFor();
  await picture(page, '03-calibration-turn');
  await page.keyboard.press('Escape');
  await calibrateByKeys(page, 5, 0.6);
  await waitForInstruction(page, 'turn');
  await picture(page, '04-turn');

  await setWorld(page, 'ring', 9);
  await page.waitForTimeout(3000);
  await waitForInstruction(page, 'passed', 'turn', 'no-pattern');
  await picture(page, '05-far');
  await setWorld(page, 'ring', 6.4);
  await page.waitForTimeout(1500);
  await waitForInstruction(page, 'in-focus', 'write-it-down', 'hold', 'turn', 'passed');
  await picture(page, '06-near');
  await setWorld(page, 'magnification', 1);
  await page.waitForTimeout(3000);
  await picture(page, '07-whole-field');
  await setWorld(page, 'magnification', 10);
  await page.keyboard.press('t');
  await page.waitForTimeout(2000);
  await picture(page, '08-colour');
  await page.keyboard.press('t');
  await setWorld(page, 'magnification', 5);

  await page.keyboard.press('p');
  await page.getByText('Taking the picture').waitFor();
  await page.getByText('Back to live view').waitFor();
  await picture(page, '09-test-shot');

  await page.keyboard.press('l');
  await page.locator('input[value="6.4"]').waitFor();
  await page.getByLabel('Star or planet').fill('Lantern Star');
  await page.getByLabel('Note').fill('calm, a little haze in the east');
  await page.keyboard.press('Enter');
  await page.getByText('Saved.').waitFor();
  await picture(page, '10-notebook');
  await page.keyboard.press('Escape');

  await page.keyboard.press('5');
  await picture(page, '11-settings');
  await page.keyboard.press('6');
  await picture(page, '12-help');

  await page.keyboard.press('5');
  await page.getByLabel('Text size').selectOption('150');
  await picture(page, '13-settings-large-text');
  await page.keyboard.press('2');
  await picture(page, '14-focus-large-text');
  await page.keyboard.press('4');
  await picture(page, '15-notebook-large-text');
  await page.keyboard.press('Escape');
  await page.keyboard.press('1');
  await picture(page, '16-prepare-large-text');
}
