import type { PixelImage } from '../../core/frame.ts';
import { DecodeError } from './errors.ts';
import { decodePicture } from './picture.ts';
import { decodeRaw } from './raw.ts';

/** Larger pictures are refused: beyond the largest camera sensors, and the pixels alone would fill 1 GB. */
export const MAX_PIXELS = 160e6;

/** Camera raw is known by its file name: many raw formats look like a TIFF from inside. */
const RAW_NAME =
  /\.(3fr|arw|cr2|cr3|crw|dng|erf|fff|iiq|kdc|mef|mos|mrw|nef|nrw|orf|pef|raf|raw|rw2|rwl|sr2|srf|srw|x3f)$/i;
const PICTURE_NAME = /\.(jpe?g|png|tiff?|webp)$/i;

/** Whether a file of this name is one that decode() is for. */
export function isImageName(name: string): boolean {
  return RAW_NAME.test(name) || PICTURE_NAME.test(name);
}

/**
 * Encoded bytes to pixels: JPEG, PNG, TIFF, WebP and camera raw.
 *
 * Values are those in the file: no colour management, no white balance, and the EXIF orientation
 * is not applied. Live view comes unturned, and only the sensor's own axes keep one sign of the
 * offset however the camera was held.
 *
 * @param name file name; its ending tells camera raw, the rest is told by content
 * @throws DecodeError
 */
export async function decode(bytes: Uint8Array, name: string): Promise<PixelImage> {
  if (bytes.length === 0) throw new DecodeError('empty', 'the file is empty; copy it from the camera again');
  // Some cameras give a JPEG a raw name (previews); the content decides then.
  const isPicture = startsWith(bytes, 0xff, 0xd8, 0xff) || startsWith(bytes, 0x89, 0x50, 0x4e, 0x47);
  return RAW_NAME.test(name) && !isPicture ? decodeRaw(bytes, MAX_PIXELS) : decodePicture(bytes, MAX_PIXELS);
}

function startsWith(bytes: Uint8Array, ...signature: number[]): boolean {
  return signature.every((byte, index) => bytes[index] === byte);
}
