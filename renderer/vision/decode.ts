import { strings } from '../strings.ts';

/**
 * The picture of a file's bytes. Chromium decodes on a thread of its own, so that a frame is decoded while the
 * vision worker measures the one before.
 *
 * A JPEG stays as the planes that it stores: to have createImageBitmap make colours of them takes four times as
 * long, and the worker does that too (pixels.ts). Either way the pixels agree to the bit with libjpeg-turbo.
 * @throws Error with a line for the user when the bytes are no picture
 */
export async function decode(bytes: Uint8Array<ArrayBuffer>): Promise<ImageBitmap | VideoFrame> {
  try {
    if (bytes[0] === 0xff && bytes[1] === 0xd8) return await planesOf(bytes);
    return await createImageBitmap(new Blob([bytes]), { colorSpaceConversion: 'none', premultiplyAlpha: 'none' });
  } catch {
    throw new Error(strings.testShot.damaged);
  }
}

async function planesOf(data: Uint8Array<ArrayBuffer>): Promise<VideoFrame> {
  const decoder = new ImageDecoder({ data, type: 'image/jpeg', colorSpaceConversion: 'none' });
  try {
    return (await decoder.decode()).image;
  } finally {
    decoder.close();
  }
}
