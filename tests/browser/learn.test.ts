import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import type { Settings } from '../../host/api.ts';
import { type Host, launchBrowser, type OpenPage, openPage, startHost, waitForInstruction } from './support.ts';

let host: Host;
let browser: Browser;
let opened: OpenPage;

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

test('a test shot teaches the mask, one key keeps it, and the settings say where the figures come from', async () => {
  const { page, problems } = opened;
  const mask = async () =>
    ((await (await page.request.get(new URL('/api/settings', page.url()).href)).json()) as Settings).mask;
  await waitForInstruction(page, 'distance');
  await page.keyboard.press('3');
  await page.keyboard.press('p');
  const offered = page.getByText(/Mask: pitch \d+ ± \d+ µm/);
  await offered.waitFor({ timeout: 45_000 });
  expect((await mask()).learned ?? null).toBe(null);
  await page.keyboard.press('m');
  await page.getByRole('button', { name: /Kept for this mask/ }).waitFor();
  await expect.poll(async () => (await mask()).learned?.focalMm).toBe(24);
  const { pitchUm, outerAngleDeg, learned } = await mask();
  // The mask of the simulated evening.
  expect(Math.abs(pitchUm! - 100)).toBeLessThan(3 * learned!.pitchSigmaUm);
  expect(Math.abs(outerAngleDeg! - 20)).toBeLessThan(Math.max(0.05, 4 * learned!.outerAngleSigmaDeg));
  await page.keyboard.press('5');
  await page.getByText(/Learned from a test shot on/).waitFor();
  expect(problems).toEqual([]);
});
