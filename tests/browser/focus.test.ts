import { setTimeout as sleep } from 'node:timers/promises';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest';
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

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

describe('the focus screen with the simulated camera', () => {
  beforeEach(async () => {
    opened = await openPage(browser, host.url);
    return () => opened.context.close();
  });

  test('measures without a key pressed, names the distance but no direction', async () => {
    const { page, problems } = opened;
    await waitForInstruction(page, 'distance');
    const panel = page.getByRole('region', { name: 'What to do now' });
    // The demo evening starts about a mark and a half before infinity: tens of µm.
    expect(await panel.locator('.amount').textContent()).toMatch(/^\d{2,3} µm$/);
    expect(await panel.textContent()).not.toMatch(/clockwise/);
    await page.getByText('Signal to noise').waitFor();
    expect(problems).toEqual([]);
  });

  test('the screen is told ten times a second, however many frames and words of the camera come', async () => {
    const { page } = opened;
    await waitForInstruction(page, 'distance');
    const { tellings, seconds } = await page.evaluate(async () => {
      let [frames, tellings] = [0, 0];
      document.addEventListener('nightring-frame', () => frames++);
      // The bars move with every reading that the screen is told of.
      const watch = new MutationObserver(() => tellings++);
      watch.observe(document.querySelector('.balance')!, { subtree: true, attributes: true });
      const start = performance.now();
      while (frames < 90) await new Promise((resolve) => setTimeout(resolve, 100));
      return { tellings, seconds: (performance.now() - start) / 1000 };
    });
    expect(tellings).toBeGreaterThan(3);
    expect(tellings).toBeLessThan(11 * seconds + 5);
  });

  test('calibrates by keyboard, then its own words lead the ring into focus', async () => {
    const { page, problems } = opened;
    await waitForInstruction(page, 'distance');
    let ring = 5.6;
    await calibrateByKeys(page, 5, ring - 5);
    await waitForInstruction(page, 'turn');
    expect(await page.locator('.headline').textContent()).toBe('Turn clockwise');

    // Do as the screen says: so many marks, that way. The ring has play, so it may take a second turn.
    for (let turns = 0; turns < 6 && (await kindOf(page)) === 'turn'; turns++) {
      const [headline, amount] = await page.locator('.headline, .amount').allTextContents();
      const marks = Number(/([\d.]+) marks/.exec(amount)?.[1]);
      expect(marks).toBeGreaterThan(0);
      ring += headline.includes('counter-clockwise') ? -marks : marks;
      await setWorld(page, 'ring', ring);
      await page.waitForTimeout(2500);
      await waitForInstruction(page, 'turn', 'in-focus', 'write-it-down');
    }
    await waitForInstruction(page, 'write-it-down');
    // The scenario's infinity for 24 mm at 12 °C (samples/scenario.json), give or take half the play of the
    // ring and the depth of focus.
    expect(ring).toBeGreaterThan(6.525 - 0.06 - 8.6 / 30);
    expect(ring).toBeLessThan(6.525 + 0.06 + 8.6 / 30);

    await setWorld(page, 'ring', ring + 1.5);
    await page.locator('.headline', { hasText: 'counter-clockwise' }).waitFor();
    expect(problems).toEqual([]);
  });

  test('turning the rehearsal ring by arrow keys changes the distance', async () => {
    const { page } = opened;
    await setWorld(page, 'ring', 5);
    const slider = page.getByLabel('Ring ← →');
    await expect.poll(() => slider.inputValue(), { timeout: 10_000 }).toBe('5');
    // The first of the values is held up on its way, and must not come after the last.
    let isFirst = true;
    await page.route('**/api/camera/config*', async (route) => {
      const isHeld = isFirst && route.request().method() !== 'GET';
      if (isHeld) isFirst = false;
      if (isHeld) await sleep(600);
      await route.continue();
    });
    for (let i = 0; i < 3; i++) await page.keyboard.press('Shift+ArrowRight');
    expect(Number(await slider.inputValue())).toBeCloseTo(5.3, 6);
    await page.keyboard.press('ArrowLeft');
    expect(Number(await slider.inputValue())).toBeCloseTo(5.29, 6);
    // By now it would have come.
    await sleep(1500);
    await expect
      .poll(async () => {
        const config = await (await page.request.get(new URL('/api/camera/config', page.url()).href)).json();
        return Number(config.find(({ name }: { name: string }) => name === 'ring').value);
      })
      .toBeCloseTo(5.29, 6);
    await page.unroute('**/api/camera/config*');
    expect(isFirst).toBe(false);
  });

  test('proves focus on a test shot and goes back', async () => {
    const { page, problems } = opened;
    await setWorld(page, 'ring', 5);
    await waitForInstruction(page, 'distance', 'turn');
    await page.keyboard.press('p');
    await page.getByRole('region', { name: 'Test shot' }).getByText('Out of focus').waitFor();
    await page.keyboard.press('Enter'); // the caution of the start comes first
    await page.keyboard.press('Enter');
    await waitForInstruction(page, 'distance', 'turn');
    expect(problems).toEqual([]);
  });
});

test('a word of the camera asks for no second frame while one is on its way', async () => {
  const { page, context } = await openPage(browser, 'about:blank');
  let [asked, came, most] = [0, 0, 0];
  let status: object | null = null;
  await page.routeWebSocket(/\/live$/, (client) => {
    const server = client.connectToServer();
    client.onMessage((message) => {
      server.send(message);
      if (JSON.parse(message.toString()).type !== 'next') return;
      most = Math.max(most, ++asked - came);
      // Before that frame comes the host says something of each kind.
      if (status && asked - came === 1)
        for (const state of ['running', 'lost', 'starting', 'running'])
          client.send(JSON.stringify({ ...status, state }));
    });
    server.onMessage((message) => {
      if (typeof message !== 'string') came++;
      else if (JSON.parse(message).type === 'camera') status = JSON.parse(message);
      client.send(message);
    });
  });
  await page.goto(host.url);
  await expect.poll(() => came, { timeout: 60_000 }).toBeGreaterThan(20);
  expect(most).toBe(1);
  await context.close();
});

function kindOf(page: Page): Promise<string | null> {
  return page.getByRole('region', { name: 'What to do now' }).getAttribute('data-kind');
}
