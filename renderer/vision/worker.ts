/**
 * Vision worker: encoded frame in, reading and picture out. Nothing else runs here, so that a
 * slow frame never delays the keyboard.
 */
import type { PixelImage } from '../../core/frame.ts';
import { loadCv } from '../../core/pattern/cv.ts';
import { LiveMeasurer } from '../../core/pattern/measure.ts';
import type { VisionMessage, VisionRequest } from './protocol.ts';

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

/** A sample of the pixels tells how bright the sky is: bytes from one to the next. */
const STEP = 4 * 101;

/** Red values for the brightest of a pixel's channels: the sky black, what is above it spread upwards. */
function redsFor(data: Uint8ClampedArray): Uint8ClampedArray {
  const counts = new Uint32Array(256);
  for (let i = 0; i < data.length; i += STEP) counts[Math.max(data[i], data[i + 1], data[i + 2])]++;
  let [sky, below] = [0, counts[0]];
  while (below < data.length / STEP / 2) below += counts[++sky];
  return Uint8ClampedArray.from({ length: 256 }, (_, value) => 255 * Math.max(0, (value - sky) / (255 - sky)) ** 0.7);
}

/** The canvas as a bitmap to hand out, in red if wanted; `pixels` is overwritten. */
function picture(pixels: ImageData, tint: boolean): ImageBitmap {
  if (tint) {
    const { data } = pixels;
    const reds = redsFor(data);
    for (let i = 0; i < data.length; i += 4) {
      data[i] = reds[Math.max(data[i], data[i + 1], data[i + 2])];
      data[i + 1] = 0;
      data[i + 2] = 0;
    }
    context.putImageData(pixels, 0, 0);
  }
  return canvas.transferToImageBitmap();
}

async function start(): Promise<void> {
  const measurer = new LiveMeasurer(await loadCv());
  scope.onmessage = async ({ data: { header, bytes, optics, tint } }) => {
    const start = performance.now();
    try {
      const pixels = await decode(bytes);
      const decoded = performance.now();
      const reading = measurer.measure(asPixelImage(pixels), optics);
      const measured = performance.now();
      const bitmap = picture(pixels, tint);
      const timings = { decodeMs: decoded - start, measureMs: measured - decoded };
      scope.postMessage({ type: 'reading', header, optics, reading, picture: bitmap, ...timings }, [bitmap]);
    } catch (error) {
      scope.postMessage({ type: 'unreadable', header, reason: (error as Error).message });
    }
  };
  scope.postMessage({ type: 'ready' });
}

start().catch((error: Error) => scope.postMessage({ type: 'failed', reason: error.message }));
