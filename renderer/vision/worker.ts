/**
 * Vision worker: encoded frame in, reading and pictures out. Nothing else runs here, so that a
 * slow frame never delays the keyboard.
 */
import type { PixelImage } from '../../core/frame.ts';
import type { Reading } from '../../core/measurement.ts';
import { loadCv } from '../../core/pattern/cv.ts';
import { LiveMeasurer, measure } from '../../core/pattern/measure.ts';
import type { VisionMessage, VisionRequest } from './protocol.ts';
import { type Region, regionOf, viewsOf } from './view.ts';

// The page's TypeScript library knows window, not the worker's scope; these two are all we need of it.
const scope = self as unknown as {
  postMessage(message: VisionMessage, transfer?: Transferable[]): void;
  onmessage: ((event: MessageEvent<VisionRequest>) => void) | null;
};

const canvas = new OffscreenCanvas(1, 1);
const context = canvas.getContext('2d', { willReadFrequently: true, alpha: false })!;

/**
 * Decoding by createImageBitmap agrees bit for bit with libjpeg-turbo; ImageDecoder is faster, but
 * hands out subsampled colour and differs by up to 44 of 255 after conversion.
 */
async function decode(bytes: ArrayBuffer): Promise<ImageData> {
  const bitmap = await createImageBitmap(new Blob([bytes]), {
    colorSpaceConversion: 'none',
    premultiplyAlpha: 'none',
  });
  if (canvas.width !== bitmap.width || canvas.height !== bitmap.height) {
    canvas.width = bitmap.width;
    canvas.height = bitmap.height;
  }
  context.drawImage(bitmap, 0, 0);
  bitmap.close();
  return context.getImageData(0, 0, canvas.width, canvas.height);
}

function asPixelImage({ width, height, data }: ImageData): PixelImage {
  return { widthPx: width, heightPx: height, channels: 4, data, maxValue: 255, transfer: 'srgb' };
}

/** The whole frame is looked at now and then; the close-up is what counts. */
const WHOLE_EVERY_MS = 120;
let wholeMs = Number.NEGATIVE_INFINITY;

/** How long the close-up stays where the star was last seen, ms. */
const KEEP_REGION_MS = 3000;
let region: Region | null = null;
let seenMs = 0;

/** The part of a frame to be shown large: round the star, or where it was a moment ago. */
function follow(reading: Reading, nowMs: number): Region | null {
  const seen = regionOf(reading);
  if (seen) {
    region = seen;
    seenMs = nowMs;
  } else if (nowMs - seenMs > KEEP_REGION_MS) region = null;
  return region;
}

async function start(): Promise<void> {
  const cv = await loadCv();
  const live = new LiveMeasurer(cv);
  scope.onmessage = async ({ data: { header, bytes, optics, tint } }) => {
    const start = performance.now();
    try {
      const pixels = await decode(bytes);
      const decoded = performance.now();
      scope.postMessage({ type: 'decoded' });
      // A still has its own scale and place; live view goes on from where it was.
      const still = header.mode.kind === 'still';
      const image = asPixelImage(pixels);
      const reading = still ? measure(cv, image, optics) : live.measure(image, optics);
      const measured = performance.now();
      const part = still ? regionOf(reading) : follow(reading, measured);
      const showWhole = still || measured - wholeMs > WHOLE_EVERY_MS;
      if (showWhole) wholeMs = measured;
      const views = viewsOf(pixels, part, tint, showWhole);
      const timings = { decodeMs: decoded - start, measureMs: measured - decoded };
      const result: VisionMessage = { type: 'reading', header, optics, reading, region: part, ...views, ...timings };
      scope.postMessage(
        result,
        [views.closeUp, views.whole].flatMap((view) => (view ? [view.data.buffer] : [])),
      );
    } catch (error) {
      scope.postMessage({ type: 'unreadable', header, reason: (error as Error).message });
    }
  };
  scope.postMessage({ type: 'ready' });
}

start().catch((error: Error) => scope.postMessage({ type: 'failed', reason: error.message }));
