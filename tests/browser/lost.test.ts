/** A camera that the desktop holds, from the library's own USB code to the key that frees it. */
import { chmodSync, mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { VirtualUsb } from '../camera/virtual/usb.ts';
import { type Host, launchBrowser, openPage, startHost } from './support.ts';

let usb: VirtualUsb;
let host: Host;
let browser: Browser;

const folder = mkdtempSync(join(tmpdir(), 'nightring-lost-'));
const path = process.env.PATH;

/** The desktop's command, standing in: it does what the script says. */
function desktop(script: string): void {
  writeFileSync(join(folder, 'gio'), `#!/bin/sh\n${script}\n`);
  chmodSync(join(folder, 'gio'), 0o755);
}

beforeAll(async () => {
  process.env.PATH = `${folder}:${path}`;
  usb = new VirtualUsb('held');
  host = await startHost('usb');
  await usb.close(); // the browser does not need it
  browser = await launchBrowser();
});
afterAll(async () => {
  process.env.PATH = path;
  await browser?.close();
  await host?.stop();
});

test('says so in large words, counts down on the picture alone, and frees the camera at one key', async () => {
  const { page } = await openPage(browser, host.url);
  await page.keyboard.press('2'); // to the focus page
  const panel = page.locator('[data-kind="camera-lost"]');
  await panel.getByText('Camera lost').waitFor();
  await expect.poll(() => panel.textContent()).toMatch(/another program holds.*gio mount -s gphoto2/);
  await page.getByText(/^Camera lost, trying again \(\d s\)$/).waitFor();
  expect(await page.getByText(/\d s\b/).count()).toBeLessThanOrEqual(1);

  desktop('echo "gio: nothing is mounted" >&2; exit 2');
  await page.keyboard.press('f');
  await panel.getByText('nothing is mounted').waitFor();

  // Freed, and then unplugged.
  desktop(`[ "$*" = "mount -s gphoto2" ] && printf absent > ${usb.file}`);
  await panel.getByRole('button', { name: /Free it/ }).click();
  await expect.poll(() => panel.textContent()).toMatch(/no camera found/);
  expect(await panel.getByRole('button').count()).toBe(0);
});
