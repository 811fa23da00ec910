/**
 * Capture devices through the browser: Chromium's own stand-in for one, fed with a file that the simulator made.
 * What the page measures is held against the simulator's truth.
 */
import { mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, expect, test } from 'vitest';
import type { PixelImage } from '../../core/frame.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, star, truth } from '../../core/simulator/scene.ts';
import type { RecordingInfo } from '../../host/api.ts';
import { framesOf } from '../host/recording/support.ts';
import { encodeJpeg } from '../support/encode.ts';
import { collectReadings, type Host, launchBrowser, openPage, startHost } from './support.ts';

/** See renderer/videoInput.ts. */
declare class MediaStreamTrackProcessor {
  constructor(init: { track: MediaStreamTrack });
  get readable(): ReadableStream<VideoFrame>;
}

const scene = defaultScene({ widthPx: 640, heightPx: 424, star: star(320, 212, 400_000), dzUm: 15, seed: 3 });
const withoutMask = { ...scene, mask: null, dzUm: 0 };

let folder: string;
let host: Host;
let browser: Browser | undefined;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'nightring-video-'));
  const image = expose(renderNoiseFree(scene), scene);
  await writeFile(join(folder, 'grabber.y4m'), yuv4mpeg(image));
  await writeFile(join(folder, 'bare.y4m'), yuv4mpeg(expose(renderNoiseFree(withoutMask), withoutMask)));
  await writeFile(join(folder, 'webcam.mjpeg'), await encodeJpeg(image, 95));
  host = await startHost(`folder:${folder}`); // which holds no picture that Nightring reads
});
afterEach(() => browser?.close());
afterAll(async () => {
  await host?.stop();
  await rm(folder, { recursive: true });
});

/** The page, with a device that shows the file. */
async function open(file: string, ...flags: string[]) {
  browser = await launchBrowser(
    '--use-fake-device-for-media-stream',
    `--use-file-for-fake-video-capture=${join(folder, file)}`,
    ...flags,
  );
  const opened = await openPage(browser, 'about:blank');
  // Keeps hold of what the page opens, to pull its cable.
  await opened.context.addInitScript(() => {
    const devices = navigator.mediaDevices;
    const original = devices.getUserMedia.bind(devices);
    const asked: MediaStreamConstraints[] = [];
    Object.assign(window, { asked });
    devices.getUserMedia = async (constraints) => {
      asked.push(constraints!);
      if ((window as unknown as { busy?: boolean }).busy) throw new DOMException('', 'NotReadableError');
      const stream = await original(constraints);
      Object.assign(window, { unplug: () => stream.getTracks()[0].stop() });
      return stream;
    };
    // A device may fall silent without the browser's notice.
    class Silenced extends MediaStreamTrackProcessor {
      override get readable() {
        const reader = super.readable.getReader();
        const read = async () => {
          for (;;) {
            const next = await reader.read();
            if (next.done || !(window as unknown as { silent?: boolean }).silent) return next;
            next.value.close();
          }
        };
        return { getReader: () => ({ read }) } as unknown as ReadableStream<VideoFrame>;
      }
    }
    Object.assign(window, { MediaStreamTrackProcessor: Silenced });
  });
  await opened.page.goto(host.url);
  return opened;
}

async function chooseVideo(page: Page, file: string): Promise<void> {
  await page.getByRole('button', { name: 'Settings' }).click();
  await page.getByRole('button', { name: 'Video inputs' }).click();
  await page.getByLabel('Found').selectOption(`video:${join(folder, file)}`);
  await page.keyboard.press('Escape');
}

test.each(['grabber.y4m', 'webcam.mjpeg'])('%s: chosen on the screen, measured like live view', async (file) => {
  const { page, problems } = await open(file, '--use-fake-ui-for-media-stream');
  const collected = await collectReadings(page);
  await chooseVideo(page, file);
  await expect.poll(async () => (await collected()).length).toBeGreaterThan(10);
  await page.getByRole('status').filter({ hasText: file }).waitFor();
  const expected = truth(scene);
  const readings = await collected();
  for (const { reading } of readings) {
    expect(reading.status).toBe('measured');
    if (reading.status !== 'measured') continue;
    // The stand-in takes full-range JPEG for HDMI's levels and so cuts the sky and the spots' wings to black.
    const cut = file.endsWith('.mjpeg') ? 0.03 * Math.abs(expected.offsetPx) : 0;
    expect(Math.abs(reading.offsetPx - expected.offsetPx)).toBeLessThan(Math.max(3 * reading.offsetSigmaPx, cut));
    expect(reading.offsetSigmaPx).toBeLessThan(0.2);
    expect(reading.star.xPx).toBeCloseTo(320, 0);
    expect(reading.middleAngleDeg).toBeCloseTo(expected.middleAngleDeg, 0);
  }
  const numbers = readings.map(({ sequence }) => sequence);
  expect(numbers).toEqual([...new Set(numbers)].sort((a, b) => a - b));
  // No sound was asked for.
  const asked = await page.evaluate(() => (window as unknown as { asked: MediaStreamConstraints[] }).asked);
  expect(asked.length).toBeGreaterThan(0);
  expect(asked.map(({ audio }) => audio)).toEqual(asked.map(() => false));
  expect(problems).toEqual([]);
});

test('a star without the mask: says why there is no pattern, and what to do about it', async () => {
  const { page } = await open('bare.y4m', '--use-fake-ui-for-media-stream');
  await chooseVideo(page, 'bare.y4m');
  await page.locator('.headline', { hasText: 'No spots seen' }).waitFor();
  expect(await page.locator('.detail').textContent()).toMatch(/magnify live view/);
});

test('a cable pulled out: said on the picture, and measuring goes on when it is back', async () => {
  const { page } = await open('webcam.mjpeg', '--use-fake-ui-for-media-stream');
  const collected = await collectReadings(page);
  await chooseVideo(page, 'webcam.mjpeg');
  await expect.poll(async () => (await collected()).length).toBeGreaterThan(3);
  await page.evaluate(() => (window as unknown as { unplug(): void }).unplug());
  const lost = page.getByText(/^Camera lost, trying again \(\d s\)$/);
  await lost.waitFor();
  const before = (await collected()).at(-1)!.sequence;
  await lost.waitFor({ state: 'detached' });
  await expect.poll(async () => (await collected()).at(-1)!.sequence).toBeGreaterThan(before + 3);

  // Back, and taken by another program (W3C Media Capture and Streams, getUserMedia: NotReadableError).
  const setBusy = (busy: boolean) => page.evaluate((busy) => Object.assign(window, { busy }), busy);
  await setBusy(true);
  await page.evaluate(() => (window as unknown as { unplug(): void }).unplug());
  await page.getByText('The video input is in use: close the other program').waitFor();
  await setBusy(false);
  const busyAt = (await collected()).at(-1)!.sequence;
  await expect.poll(async () => (await collected()).at(-1)!.sequence).toBeGreaterThan(busyAt + 3);

  // Silent, it counts as lost after ten seconds, though nothing ended.
  const setSilent = (silent: boolean) => page.evaluate((silent) => Object.assign(window, { silent }), silent);
  await setSilent(true);
  await lost.waitFor();
  await setSilent(false);
  const silentAt = (await collected()).at(-1)!.sequence;
  await expect.poll(async () => (await collected()).at(-1)!.sequence).toBeGreaterThan(silentAt + 3);

  // What a capture device cannot do is said in words; another camera takes over.
  const answer = await page.request.post(new URL('/api/camera/capture', page.url()).href, {
    headers: { origin: new URL(page.url()).origin },
  });
  expect([answer.status(), (await answer.json()).error]).toEqual([400, expect.stringMatching(/video input/)]);
  await page.keyboard.press('5');
  await page.getByLabel('Found').selectOption('sim');
  await page.keyboard.press('Escape');
  await page.locator('[data-kind="distance"]').waitFor();
});

test('recorded without loss, and replayed to the same readings', async () => {
  const { page, problems } = await open('grabber.y4m', '--use-fake-ui-for-media-stream');
  await chooseVideo(page, 'grabber.y4m');
  await page.locator('[data-kind="magnify"], [data-kind="distance"], [data-kind="unscaled"]').first().waitFor();
  await page.keyboard.press('5');
  await page.keyboard.press('r');
  await page.getByText(/ [1-9]\d+ frames written$/).waitFor();
  await page.keyboard.press('r');
  await page.getByRole('button', { name: 'Record', exact: false, pressed: false }).waitFor();

  const response = await page.request.get(new URL('/api/recordings', page.url()).href);
  const [info]: RecordingInfo[] = await response.json();
  expect(info.camera).toBe(`video:${join(folder, 'grabber.y4m')}`);
  const all = await framesOf(info.folder);
  const recorded = all.filter(({ reading }) => reading?.status === 'measured');
  // The reading of the last frame may have come too late.
  expect(all.length - recorded.length).toBeLessThanOrEqual(2);
  expect(all.map(({ frame }) => frame.anew)).toEqual(all.map((_, i) => i === 0));

  const collected = await collectReadings(page);
  await page.getByLabel('Replay').selectOption(`replay:${info.folder}`);
  await page.keyboard.press('Escape');
  await page.getByText('The recording is over').waitFor();
  await expect.poll(async () => (await collected()).at(-1)?.sequence).toBe(all.length - 1);
  const replayed = new Map((await collected()).slice(-all.length).map(({ sequence, reading }) => [sequence, reading]));
  for (const [i, { reading }] of all.entries()) if (reading) expect(replayed.get(i)).toEqual(reading);
  expect(problems).toEqual([]);
});

test('without the permission it says so, and the microphone is shut to the page', async () => {
  const { page } = await open('webcam.mjpeg', '--deny-permission-prompts');
  await page.getByRole('button', { name: 'Settings' }).click();
  await page.getByRole('button', { name: 'Video inputs' }).click();
  await page.getByRole('alert').filter({ hasText: 'The browser may not use the camera' }).waitFor();
  const policy = await page.evaluate(() => {
    const { featurePolicy } = document as unknown as { featurePolicy: { allowsFeature(name: string): boolean } };
    return ['camera', 'microphone', 'geolocation'].map((name) => featurePolicy.allowsFeature(name));
  });
  expect(policy).toEqual([true, false, false]);
});

/** Two equal pictures as YUV4MPEG2, 4:2:0, BT.601 with levels 16–235, as HDMI grabbers send (ITU-R BT.601-7, §2.5). */
function yuv4mpeg({ widthPx, heightPx, channels, data }: PixelImage): Buffer {
  const planes = [Buffer.alloc(widthPx * heightPx), ...[0, 1].map(() => Buffer.alloc((widthPx * heightPx) / 4))];
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x++) {
      const [r, g, b] = data.subarray((y * widthPx + x) * channels);
      planes[0][y * widthPx + x] = Math.round(16 + (65.481 * r + 128.553 * g + 24.966 * b) / 255);
    }
  for (let y = 0; y < heightPx; y += 2)
    for (let x = 0; x < widthPx; x += 2) {
      const four = [0, 1, widthPx, widthPx + 1].map((at) => channels * (y * widthPx + x + at));
      const [r, g, b] = [0, 1, 2].map((c) => four.reduce((sum, at) => sum + data[at + c], 0) / 4);
      const to = (y * widthPx) / 4 + x / 2;
      planes[1][to] = Math.round(128 + (-37.797 * r - 74.203 * g + 112 * b) / 255);
      planes[2][to] = Math.round(128 + (112 * r - 93.786 * g - 18.214 * b) / 255);
    }
  const frame = [Buffer.from('FRAME\n'), ...planes];
  return Buffer.concat([
    Buffer.from(`YUV4MPEG2 W${widthPx} H${heightPx} F30:1 Ip A1:1 C420mpeg2\n`),
    ...frame,
    ...frame,
  ]);
}
