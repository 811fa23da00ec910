import type { Optics, Reading } from '../core/measurement.ts';
import type { Mask } from '../core/optics/mask.ts';
import type { LiveMeasurer } from '../core/pattern/live.ts';
import { measure } from '../core/pattern/measure.ts';
import { decode } from './decode/decode.ts';
import { DecodeError } from './decode/errors.ts';
import { readExif } from './decode/exif.ts';

/** What the user says of the optics; it comes before what a picture or camera says. */
export interface KnownOptics {
  focalMm: number | null;
  fNumber: number | null;
  pixelUm: number | null;
  mask: Mask | null;
}

export interface Measured {
  reading: Reading;
  optics: Optics;
  decodeMs: number;
  measureMs: number;
}

/** A picture that could not be decoded is an outcome of its own, not an exception. */
export type Outcome = Measured | { unreadable: DecodeError };

/**
 * Encoded picture to reading: decode, EXIF, measure.
 * @param name file name, see decode()
 * @param cameraPixelUm pixel size as the camera gives it for this picture
 * @param recorded how the picture was measured before: with optics that leave nothing to EXIF, and perhaps by
 *   following the pattern from one to the next
 */
export async function measureBytes(
  bytes: Uint8Array,
  name: string,
  known: KnownOptics,
  cameraPixelUm: number | null = null,
  recorded: { optics?: Optics; measurer?: LiveMeasurer | null } = {},
): Promise<Outcome> {
  const startMs = performance.now();
  try {
    const image = await decode(bytes, name);
    const found = recorded.optics ?? (await readExif(bytes, image.widthPx));
    const optics: Optics = {
      focalMm: known.focalMm ?? found.focalMm,
      fNumber: known.fNumber ?? found.fNumber,
      pixelUm: known.pixelUm ?? (recorded.optics ? found.pixelUm : (cameraPixelUm ?? found.pixelUm)),
      mask: known.mask ?? recorded.optics?.mask ?? null,
    };
    const decodedMs = performance.now();
    const reading = recorded.measurer?.measure(image, optics) ?? measure(image, optics);
    return { reading, optics, decodeMs: decodedMs - startMs, measureMs: performance.now() - decodedMs };
  } catch (error) {
    if (error instanceof DecodeError) return { unreadable: error };
    throw error;
  }
}
