/** Test shots without the mask: from the simulated camera and from a file; how they look and what they say. */
import axe from 'axe-core';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { exposeRaw } from '../../core/simulator/expose.ts';
import { fieldScene, SHARP, seededField } from '../../core/simulator/field.ts';
import { encodeTiff } from '../support/encode.ts';
import { type Host, launchBrowser, type OpenPage, openPage, setWorld, startHost } from './support.ts';

let host: Host;
let browser: Browser;
let opened: OpenPage;

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
  await opened.page.getByRole('button', { name: /Prove/ }).click();
  await opened.page.getByRole('button', { name: /mask off/ }).waitFor({ timeout: 60_000 });
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

const MAP = /Half-flux radius over the field/;
const shotTimeout = { timeout: 100_000 };

/** A file given to the page as its file button would. */
async function open(name: string, buffer: Buffer): Promise<void> {
  await opened.page.getByLabel('Open a picture').setInputFiles({ name, mimeType: 'image/tiff', buffer });
  await opened.page.getByText('Taking the picture').waitFor({ state: 'detached', ...shotTimeout });
}

function field(seed: number, blur: Partial<typeof SHARP>): Promise<Buffer> {
  const scene = fieldScene({ widthPx: 660, heightPx: 440, seed });
  return encodeTiff(exposeRaw(seededField(scene, 170, 1200, { ...SHARP, ...blur }).light, scene));
}

describe('a shot without the mask', () => {
  test('from the camera, by keys, says how large the stars are and where', async () => {
    const { page } = opened;
    await setWorld(page, 'ring', 4.5);
    await page.keyboard.press('r');
    await page.getByRole('button', { name: /mask off/, pressed: true }).waitFor();
    await page.keyboard.press('p');
    const map = page.getByRole('img', { name: MAP });
    await map.waitFor(shotTimeout);
    await page.getByText('Even and round').waitFor();
    // 24 mm, infinity at 6.525, 30 µm a mark, f/2.8, 4 µm: a disc of 5.4 px; half of a disc's light lies within 1.9 px,
    // and the lens's and sensor's own blur comes on top.
    const radii = (await map.getAttribute('aria-label'))!.split(': ')[1].split(', ').map(Number);
    expect(radii).toHaveLength(9);
    for (const radius of radii) {
      expect(radius).toBeGreaterThan(1.8);
      expect(radius).toBeLessThan(2.5);
    }
  }, 180_000);

  test('from a file that browsers cannot show (16-bit TIFF); a tilted lens is told', async () => {
    const { page } = opened;
    await open('tilted.tiff', await field(1, { discPx: 5, tiltXPx: 4 }));
    await page.getByText('Softer towards the right').waitFor(shotTimeout);
    await page.getByText('tilted.tiff').waitFor();
  }, 180_000);

  test('the next one is compared with it star by star, side by side', async () => {
    const { page } = opened;
    await open('straight.tiff', await field(1, {}));
    await page.locator('.headline', { hasText: 'Sharper than before' }).waitFor(shotTimeout);
    await page.getByText(/stars in both shots/).waitFor();
    for (const name of ['Before: Middle', 'After: Middle']) {
      const lit = await page.getByRole('img', { name }).evaluate((canvas: HTMLCanvasElement) => {
        const { data } = canvas.getContext('2d')!.getImageData(0, 0, canvas.width, canvas.height);
        // The star stands in the middle of its picture.
        const at = 4 * (Math.floor(canvas.height / 2) * canvas.width + Math.floor(canvas.width / 2));
        return data[at];
      });
      expect(lit).toBeGreaterThan(60);
    }
  }, 180_000);

  test('earlier shots can be looked at and compared with', async () => {
    const { page } = opened;
    await page.keyboard.press('ArrowLeft');
    await page.getByText('tilted.tiff').waitFor();
    await page.keyboard.press('ArrowRight');
    await page.keyboard.press('b');
    await page.keyboard.press('ArrowLeft');
    await page.locator('.headline', { hasText: 'Softer than before' }).waitFor();
    await page.keyboard.press('+');
    await page.getByText('300 %').waitFor();
  });

  test('names, roles and contrast are in order (axe-core, WCAG 2.2 A and AA), nothing is cut', async () => {
    const { page } = opened;
    await page.evaluate(axe.source);
    const { violations } = await page.evaluate(() =>
      (window as unknown as { axe: typeof axe }).axe.run({
        runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
      }),
    );
    expect(violations.map(({ id, nodes }) => `${id}: ${nodes.map(({ html }) => html).join(' ')}`)).toEqual([]);
    const cut = await page.evaluate(() => ({
      page: [document.documentElement.scrollWidth, document.documentElement.scrollHeight],
      scrolled: [...document.querySelectorAll('.instruction, .star-field')].filter(
        (element) => element.scrollHeight > element.clientHeight + 1,
      ).length,
    }));
    expect(cut).toEqual({ page: [1280, 800], scrolled: 0 });
  });

  test('a file that is no picture says what to do', async () => {
    const { page } = opened;
    await open('notes.tiff', Buffer.from('no picture at all'));
    await page.getByRole('alert').waitFor(shotTimeout);
  }, 180_000);
});

test('a picture that comes damaged from the camera is said to be so, and can be taken again', async () => {
  const { page } = opened;
  const header = {
    sequence: 1e6,
    timeUtc: new Date().toISOString(),
    name: 'still.jpg',
    mode: { kind: 'still', magnification: null, pixelUm: 4 },
  };
  await page.route('**/api/camera/capture', (route) =>
    route.fulfill({ headers: { 'x-frame': JSON.stringify(header) }, body: Buffer.from([0xff, 0xd8, 0xff, 0xe0, 1]) }),
  );
  const button = page.getByRole('button', { name: 'Take a test shot', disabled: false });
  await button.waitFor(); // while another one is being measured the key does nothing
  await page.keyboard.press('p');
  await page.getByRole('alert').filter({ hasText: 'came damaged; take it again' }).waitFor();
  await button.waitFor();
  await page.unroute('**/api/camera/capture');
});

test('a picture opened before the measuring worker has come is measured as soon as it is there', async () => {
  const { page, context } = await openPage(browser, 'about:blank');
  const script = Promise.withResolvers<void>();
  let asked = false;
  await page.route('**/assets/worker-*.js', async (route) => {
    asked = true;
    await script.promise;
    await route.continue();
  });
  await page.goto(host.url);
  await page.getByRole('button', { name: /Prove/ }).click();
  const answered = page.waitForResponse(/api\/picture/);
  await page
    .getByLabel('Open a picture')
    .setInputFiles({ name: 'a.tiff', mimeType: 'image/tiff', buffer: await field(2, {}) });
  await (await answered).finished();
  // Long enough for it to be decoded and handed over.
  await page.waitForTimeout(1000);
  expect(asked).toBe(true);
  await page.getByText('Taking the picture').waitFor();
  script.resolve();
  await page.getByRole('img', { name: MAP }).waitFor(shotTimeout);
  await context.close();
}, 180_000);
