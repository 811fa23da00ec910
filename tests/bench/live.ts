/**
 * The live chain as the user has it: simulated camera → host → page in Chromium → painted screen.
 * Usage: node tests/bench/live.ts [SECONDS]; needs the built interface.
 */
import { fileURLToPath } from 'node:url';
import { launchBrowser, openPage, startHost } from '../browser/support.ts';

export interface LiveFigures {
  frames: number;
  framesPerS: number;
  /** From opening the page to the first measurement painted, ms; the host runs already. */
  firstMs: number;
  /** p50 and p95, ms. `painted` is from the frame's time stamp (before encoding) to the paint that shows it. */
  decodeMs: [number, number];
  measureMs: [number, number];
  drawnMs: [number, number];
  paintedMs: [number, number];
  /** JavaScript heap of the page after half the time and at the end, MB. */
  heapMb: [number, number];
}

interface Sample {
  atMs: number;
  decodeMs: number;
  measureMs: number;
  drawnMs: number;
  paintedMs: number;
}

export async function benchLive(seconds: number, warmUpS = 5): Promise<LiveFigures> {
  const host = await startHost();
  const browser = await launchBrowser();
  try {
    const { page, context } = await openPage(browser, 'about:blank');
    await context.addInitScript(collect);
    await page.goto(host.url);
    await page.waitForFunction(() => (window as unknown as { samples: unknown[] }).samples.length > 0);
    await page.waitForTimeout(warmUpS * 1000);
    const firstMs = await page.evaluate(() => {
      const { samples } = window as unknown as { samples: Sample[] };
      return samples.splice(0)[0].atMs;
    });
    const devtools = await context.newCDPSession(page);
    const heapMb = async () => {
      await devtools.send('HeapProfiler.collectGarbage');
      return (await devtools.send('Runtime.getHeapUsage')).usedSize / 2 ** 20;
    };
    await page.waitForTimeout(seconds * 500);
    const halfMb = await heapMb();
    await page.waitForTimeout(seconds * 500);
    const samples = await page.evaluate(() => (window as unknown as { samples: Sample[] }).samples);
    const spanMs = samples.at(-1)!.atMs - samples[0].atMs;
    const percentiles = (name: keyof Sample): [number, number] => {
      const sorted = samples.map((sample) => sample[name]).sort((a, b) => a - b);
      return [0.5, 0.95].map((part) => sorted[Math.floor(part * (sorted.length - 1))]) as [number, number];
    };
    return {
      frames: samples.length,
      framesPerS: ((samples.length - 1) / spanMs) * 1000,
      firstMs,
      decodeMs: percentiles('decodeMs'),
      measureMs: percentiles('measureMs'),
      drawnMs: percentiles('drawnMs'),
      paintedMs: percentiles('paintedMs'),
      heapMb: [halfMb, await heapMb()],
    };
  } finally {
    await browser.close();
    await host.stop();
  }
}

/** Runs in the page: keeps the times of each frame. A message posted in an animation frame arrives after its paint. */
function collect(): void {
  const samples: Sample[] = [];
  Object.assign(window, { samples });
  document.addEventListener('nightring-frame', (event) => {
    const { toScreenMs, decodeMs, measureMs } = (event as CustomEvent).detail;
    const drawnAtMs = performance.now();
    requestAnimationFrame(() => {
      const { port1, port2 } = new MessageChannel();
      port1.onmessage = () => {
        const atMs = performance.now();
        samples.push({ atMs, decodeMs, measureMs, drawnMs: toScreenMs, paintedMs: toScreenMs + atMs - drawnAtMs });
        port1.close();
      };
      port2.postMessage(null);
    });
  });
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const figures = await benchLive(Number(process.argv[2] ?? 20));
  const round = (value: number) => Number(value.toFixed(1));
  for (const [name, value] of Object.entries(figures))
    console.log(name.padEnd(12), Array.isArray(value) ? value.map(round).join(' / ') : round(value));
}
