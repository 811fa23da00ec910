/** The page's way from a file's bytes to pixels, in Chromium, against that of the command line. */
import { readdirSync, readFileSync } from 'node:fs';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { fileURLToPath } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import sharp, { type Sharp } from 'sharp';
import { build, type Rollup } from 'vite';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { seededRandom } from '../../core/simulator/random.ts';
import { decode } from '../../host/decode/decode.ts';
import { launchBrowser } from './support.ts';

const FIXTURES = fileURLToPath(new URL('../reference/fixtures/jpeg/', import.meta.url));

interface Modules {
  decode: typeof import('../../renderer/vision/decode.ts');
  pixels: typeof import('../../renderer/vision/pixels.ts');
}

let browser: Browser;
let page: Page;
const server = createServer((_, response) => response.setHeader('content-type', 'text/html').end());

beforeAll(async () => {
  browser = await launchBrowser();
  page = await browser.newPage();
  // ImageDecoder is there only for pages of a server on this machine, or by https.
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  await page.goto(`http://127.0.0.1:${(server.address() as AddressInfo).port}`);
  for (const name of ['decode', 'pixels']) await page.evaluate(await scriptOf(name));
});
afterAll(async () => {
  await browser?.close();
  server.close();
});

/** One of the vision worker's modules as a script that hands its exports to the window, under the module's name. */
async function scriptOf(name: string): Promise<string> {
  const entry = fileURLToPath(new URL(`../../renderer/vision/${name}.ts`, import.meta.url));
  const lib = { entry, name, formats: ['iife' as const] };
  const built = await build({ configFile: false, logLevel: 'error', build: { write: false, lib } });
  const [{ output }] = built as Rollup.RollupOutput[];
  return `${output[0].code}; window.${name} = ${name};`;
}

/** Format of the picture that Chromium hands over, and red, green and blue of all pixels. */
async function pageDecodes(bytes: Buffer): Promise<{ format: string | null; widthPx: number; rgb: Buffer }> {
  const answer = await page.evaluate(async (base64) => {
    const modules = window as unknown as Modules;
    const picture = await modules.decode.decode(Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0)));
    const format = picture instanceof VideoFrame ? picture.format : null;
    const image = await modules.pixels.pixelsOf(picture);
    const { widthPx, heightPx, data } = image;
    image.need?.({ xPx: 0, yPx: 0, widthPx, heightPx });
    let text = '';
    for (let i = 0; i < data.length; i += 4) text += String.fromCharCode(data[i], data[i + 1], data[i + 2]);
    return { format, widthPx, rgb: btoa(text) };
  }, bytes.toString('base64'));
  return { ...answer, rgb: Buffer.from(answer.rgb, 'base64') };
}

/** Red, green and blue as the command line has them. */
async function commandLineDecodes(bytes: Buffer): Promise<{ widthPx: number; rgb: Buffer }> {
  const { widthPx, channels, data } = await decode(bytes, 'picture');
  const rgb = channels === 1 ? Buffer.from(Array.from(data, (grey) => [grey, grey, grey]).flat()) : Buffer.from(data);
  return { widthPx, rgb };
}

/** Noise shows every rounding; odd sizes show the edges. */
function noise(width: number, height: number): Sharp {
  const random = seededRandom(width);
  const values = Uint8Array.from({ length: 3 * width * height }, () => 256 * random.uniform());
  return sharp(values, { raw: { width, height, channels: 3 } });
}

const asStored = async (bytes: Buffer, format: string | null) => {
  const ours = await pageDecodes(bytes);
  const theirs = await commandLineDecodes(bytes);
  expect(ours.format).toBe(format);
  expect(ours.widthPx).toBe(theirs.widthPx);
  expect(ours.rgb.equals(theirs.rgb)).toBe(true);
};

describe('to the bit as libjpeg-turbo (in sharp)', () => {
  const sampled = { '4:2:0': 'I420', '4:4:4': 'I444' };
  const sizes = [
    [53, 37],
    [6, 5],
    [5, 3],
  ];
  const cases = Object.entries(sampled).flatMap(([chromaSubsampling, format]) =>
    [100, 90, 50].flatMap((quality) =>
      sizes.map(([width, height]) => ({ chromaSubsampling, format, quality, width, height })),
    ),
  );
  test.each(cases)(
    '$chromaSubsampling, quality $quality, $width × $height',
    async ({ width, height, format, ...options }) => {
      await asStored(await noise(width, height).jpeg(options).toBuffer(), format);
    },
  );

  test('progressive', async () => {
    await asStored(await noise(53, 37).jpeg({ progressive: true, chromaSubsampling: '4:2:0' }).toBuffer(), 'I420');
  });

  // By cjpeg; see make.sh there. What Chromium does not keep as planes it makes RGB of.
  const kept: Record<string, string> = { '2x1.jpg': 'I422', 'arithmetic.jpg': 'I420' };
  test.each(readdirSync(FIXTURES).filter((name) => name.endsWith('.jpg')))('%s', async (name) => {
    await asStored(readFileSync(FIXTURES + name), kept[name] ?? 'BGRX');
  });

  test('grey', async () => {
    await asStored(await noise(53, 37).toColourspace('b-w').jpeg().toBuffer(), 'BGRX');
  });

  test('not turned by its EXIF, as what is measured lies on the sensor', async () => {
    await asStored(await noise(53, 37).withMetadata({ orientation: 6 }).jpeg().toBuffer(), 'I420');
  });
});

test('a PNG comes as it is', async () => {
  await asStored(await noise(53, 37).png().toBuffer(), null);
});

test('a picture cut short, or none at all, is called damaged', async () => {
  const whole = await noise(53, 37).jpeg().toBuffer();
  for (const bytes of [
    whole.subarray(0, whole.length / 2),
    whole.subarray(0, 2),
    Buffer.from('no picture'),
    Buffer.alloc(0),
  ])
    await expect(pageDecodes(bytes)).rejects.toThrow('The picture came damaged; take it again.');
});
