/**
 * Whether memory stays flat over a long live view through the addon, with a recording that goes round in its size:
 * host, camera's process and page, each for itself. `npm run bench -- soak --help`.
 */
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { Command } from 'commander';
import type { RecordingMessage, Settings } from '../../host/api.ts';
import { launchBrowser, openPage, startHost } from '../browser/support.ts';
import { startPacedCamera } from './camera.ts';
import { childOf, findChild, memoryMb } from './processes.ts';

const CAMERA_CHILD = /cameras\/child\.ts/;
/** Caches, compiled code and the recording, which fills, settle over so many frames: on a slow machine that takes longer. */
const SETTLING_FRAMES = 400;
const RECORDING_MB = 50;

export interface SoakFigures {
  minutes: number;
  measured: number;
  recorded: number;
  recordingMb: number;
  /** The camera's process was replaced meanwhile: it hung, or this machine was so busy that it seemed to. */
  restarted: boolean;
  /** Resident memory of each, MB, sampled evenly, NaN while the camera's process is being replaced; the page's is all of the browser's. `heap` is the page's JavaScript alone. */
  samplesMb: Record<'host' | 'camera' | 'page' | 'heap', number>[];
}

export async function benchSoak(minutes: number, framesPerS: number, samples = 24): Promise<SoakFigures> {
  const body = await startPacedCamera(framesPerS);
  const host = await startHost(body.port);
  const browser = await launchBrowser();
  try {
    const chromium = childOf(process.pid, /chromium/);
    const first = childOf(host.pid, CAMERA_CHILD);
    let restarted = false;
    const { page, context } = await openPage(browser, host.url);
    const api = async <T>(method: string, path: string, data?: object): Promise<T> => {
      const headers = { origin: new URL(host.url).origin };
      return (await page.request.fetch(new URL(path, host.url).href, { method, data, headers })).json();
    };
    const settings = await api<Settings>('GET', '/api/settings');
    await api('PUT', '/api/settings', { ...settings, recordingLimitMb: RECORDING_MB });
    await api('POST', '/api/recording');
    await page.evaluate(() => {
      Object.assign(window, { measured: 0 });
      document.addEventListener('nightring-frame', () => {
        (window as unknown as { measured: number }).measured++;
      });
    });
    const settled = (frames: number) => (window as unknown as { measured: number }).measured >= frames;
    await page.waitForFunction(settled, SETTLING_FRAMES, { timeout: 300_000, polling: 500 });
    const devtools = await context.newCDPSession(page);
    const samplesMb: SoakFigures['samplesMb'] = [];
    for (let i = 0; i < samples; i++) {
      await sleep((minutes * 60_000) / samples);
      await devtools.send('HeapProfiler.collectGarbage');
      const { usedSize } = await devtools.send('Runtime.getHeapUsage');
      const camera = findChild(host.pid, CAMERA_CHILD);
      restarted ||= camera !== first;
      samplesMb.push({
        host: memoryMb(host.pid, CAMERA_CHILD),
        camera: camera === null ? Number.NaN : memoryMb(camera),
        page: memoryMb(chromium),
        heap: usedSize / 2 ** 20,
      });
    }
    const recording = await api<RecordingMessage>('GET', '/api/recording');
    const measured = await page.evaluate(() => (window as unknown as { measured: number }).measured);
    return {
      minutes,
      measured,
      recorded: recording.frames,
      recordingMb: recording.bytes / 1e6,
      restarted,
      samplesMb,
    };
  } finally {
    await browser.close();
    await host.stop();
    body.process.kill();
  }
}

/** Means of the first and the last quarter, and by how much the last is above the first, per cent. */
export function growth(values: number[]): { from: number; to: number; percent: number } {
  const quarter = Math.max(1, Math.floor(values.length / 4));
  const mean = (part: number[]) => part.reduce((sum, value) => sum + value, 0) / part.length;
  const [from, to] = [mean(values.slice(0, quarter)), mean(values.slice(-quarter))];
  return { from, to, percent: 100 * (to / from - 1) };
}

export async function main(args: string[]): Promise<void> {
  const { minutes, fps, json } = new Command('npm run bench -- soak')
    .description('Memory of host, camera process and page over a long live view with a recording running.')
    .option('--minutes <n>', 'how long; 60 for the hour', Number, 2)
    .option('--fps <n>', 'pictures a second that the camera makes', Number, 30)
    .option('--json', 'one JSON document')
    .parse(args, { from: 'user' })
    .opts<{ minutes: number; fps: number; json?: true }>();
  const figures = await benchSoak(minutes, fps);
  if (json) {
    console.log(JSON.stringify(figures, null, 1));
    return;
  }
  const { measured, recorded, recordingMb, restarted, samplesMb } = figures;
  console.log(`${minutes} min: ${measured} frames measured, ${recorded} recorded, ${recordingMb.toFixed(0)} MB kept`);
  if (restarted) console.log('The camera process was replaced meanwhile: its memory is of more than one.');
  console.log('memory, MB   first quarter         last   growth');
  for (const part of ['host', 'camera', 'page', 'heap'] as const) {
    const { from, to, percent } = growth(samplesMb.map((sample) => sample[part]));
    console.log(
      [part.padEnd(12), from.toFixed(1).padStart(16), to.toFixed(1).padStart(12), `${percent.toFixed(1)} %`.padStart(8)]
        .join(' ')
        .trimEnd(),
    );
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) await main(process.argv.slice(2));
