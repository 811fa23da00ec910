import { strings } from '../strings.ts';

/**
 * The picture of a file's bytes. Chromium decodes on a thread of its own, so that a frame is decoded while the
 * vision worker measures the one before.
 *
 * Decoding by createImageBitmap agrees bit for bit with libjpeg-turbo; ImageDecoder is faster, but
 * hands out subsampled colour and differs by up to 44 of 255 after conversion.
 * @throws Error with a line for the user when the bytes are no picture
 */
export async function decode(bytes: ArrayBuffer): Promise<ImageBitmap> {
  try {
    return await createImageBitmap(new Blob([bytes]), { colorSpaceConversion: 'none', premultiplyAlpha: 'none' });
  } catch {
    throw new Error(strings.testShot.damaged);
  }
}
