import { strings } from '../strings.ts';

/**
 * The picture of a file's bytes. Chromium decodes on a thread of its own, so that a frame is decoded while the
 * vision worker measures the one before.
 *
 * A JPEG comes as the planes that it stores, of which the worker makes colours (pixels.ts): createImageBitmap, which
 * makes them itself, takes four times as long. Either way the pixels agree to the bit with libjpeg-turbo.
 * @throws Error with a line for the user when the bytes are no picture
 */
export async function decode(bytes: Uint8Array<ArrayBuffer>): Promise<ImageBitmap | VideoFrame> {
  try {
    if (bytes[0] === 0xff && bytes[1] === 0xd8) return await decodeJpeg(bytes);
    return await createImageBitmap(new Blob([bytes]), { colorSpaceConversion: 'none', premultiplyAlpha: 'none' });
  } catch {
    throw new Error(strings.testShot.damaged);
  }
}

async function decodeJpeg(data: Uint8Array<ArrayBuffer>): Promise<VideoFrame> {
  const decoder = new ImageDecoder({ data, type: 'image/jpeg', colorSpaceConversion: 'none' });
  try {
    return (await decoder.decode()).image;
  } finally {
    decoder.close();
  }
}
