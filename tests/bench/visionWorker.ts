/** The page's own vision worker in Chromium, given pictures one after the other by a page that does nothing else. */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { fileURLToPath } from 'node:url';
import type { Optics } from '../../core/measurement.ts';
import { launchBrowser } from '../browser/support.ts';

const ASSETS = fileURLToPath(new URL('../../dist/assets/', import.meta.url));

export interface VisionWorker {
  /** Goes through a live view's pictures so many times; what measuring each took, ms, in order, decoding left out. */
  follow(jpegs: Buffer[], optics: Optics, rounds: number): Promise<number[]>;
  close(): Promise<void>;
}

/** Null when the interface is not built. */
export async function openVisionWorker(): Promise<VisionWorker | null> {
  const name = existsSync(ASSETS) && readdirSync(ASSETS).find((name) => /^worker-.*\.js$/.test(name));
  if (!name) return null;
  // ImageDecoder is there only for pages of a server on this machine, or by https.
  const server = createServer(({ url }, response) => {
    const isWorker = url === '/worker.js';
    response.setHeader('content-type', isWorker ? 'text/javascript' : 'text/html');
    response.end(isWorker ? readFileSync(ASSETS + name) : '');
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const browser = await launchBrowser();
  const page = await browser.newPage();
  await page.goto(`http://127.0.0.1:${(server.address() as AddressInfo).port}`);
  await page.evaluate(() => Object.assign(window, { worker: new Worker('/worker.js', { type: 'module' }) }));
  return {
    follow: (jpegs, optics, rounds) =>
      page.evaluate(
        async ({ base64, optics, rounds }) => {
          const { worker } = window as unknown as { worker: Worker };
          const files = base64.map((text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0)));
          const tookMs: number[] = [];
          for (let sequence = 0; sequence < rounds * files.length; sequence++) {
            const data = files[sequence % files.length];
            const decoder = new ImageDecoder({ data, type: 'image/jpeg', colorSpaceConversion: 'none' });
            const { image: picture } = await decoder.decode();
            const mode = { kind: 'live', magnification: null, pixelUm: null };
            const header = { sequence, timeUtc: '', name: '', mode, anew: sequence === 0 };
            const answer = new Promise<MessageEvent>((resolve) => {
              worker.onmessage = resolve;
            });
            worker.postMessage({ header, picture, decodeMs: 0, optics, tint: true }, [picture]);
            tookMs.push((await answer).data.measureMs);
          }
          return tookMs;
        },
        { base64: jpegs.map((jpeg) => jpeg.toString('base64')), optics, rounds },
      ),
    async close() {
      await browser.close();
      server.close();
    },
  };
}
