import { readFile } from 'node:fs/promises';
import { createRequire } from 'node:module';
import type { LibRaw } from 'libraw-wasm/dist/libraw.js';
import type { PixelImage } from '../../core/frame.ts';
import { DecodeError } from './errors.ts';
import { tooLarge } from './picture.ts';

/** Camera raw to linear 16-bit RGB in the sensor's own colours, black level taken off, white level at 65535. */
const SETTINGS = {
  outputBps: 16,
  gamm: [1, 1, 0, 0, 0, 0], // no tone curve
  noAutoBright: true,
  adjustMaximumThr: 0,
  outputColor: 0, // the sensor's own colours
  useCameraMatrix: 0,
  userMul: [1, 1, 1, 1] as [number, number, number, number], // no white balance
  userQual: 0, // bilinear: adds no edges of its own
  userFlip: 0, // orientation not applied, see decode()
};

/** @throws DecodeError */
export async function decodeRaw(bytes: Uint8Array, maxPixels: number): Promise<PixelImage> {
  const { LibRaw } = await loadLibrary();
  const raw = new LibRaw();
  try {
    raw.open(bytes, SETTINGS);
    const { width, height } = raw.metadata(false);
    if (width * height > maxPixels) throw tooLarge(width, height, maxPixels);
    const image = raw.imageData();
    return {
      widthPx: image.width,
      heightPx: image.height,
      channels: image.colors as 1 | 3,
      data: image.data as Uint16Array,
      maxValue: 65535,
      transfer: 'linear',
    };
  } catch (error) {
    if (error instanceof DecodeError) throw error;
    // A trap leaves the library's memory in any state; its own exceptions unwind in good order.
    if (error instanceof WebAssembly.RuntimeError) loading = null;
    throw new DecodeError(
      'damaged',
      'the camera raw file is cut short, damaged or of an unknown kind; export it as DNG or 16-bit TIFF',
    );
  } finally {
    raw.delete();
  }
}

let loading: Promise<{ LibRaw: new () => LibRaw }> | null = null;

/** Loads the library on first use, and again after a trap inside it. */
function loadLibrary() {
  loading ??= (async () => {
    const path = createRequire(import.meta.url).resolve('libraw-wasm/dist/libraw.wasm');
    const { default: load } = await import('libraw-wasm/dist/libraw.js');
    return load({ wasmBinary: await readFile(path) });
  })();
  return loading;
}
