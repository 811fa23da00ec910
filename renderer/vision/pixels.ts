/** Pixels of a decoded picture or of a capture device's frame. */
import type { PixelImage } from '../../core/frame.ts';
import { type Planes, rgbaAsNeeded } from '../../core/ycbcr.ts';

/** Of the frame in hand, one buffer for all: making megabytes for each costs as much as decoding it. */
let pixels = new Uint8ClampedArray(0);
let stored = new Uint8Array(0);

/** The pixels as RGBA, there until the next call, those of a JPEG made as they are needed; the picture is closed. */
export async function pixelsOf(picture: ImageBitmap | VideoFrame): Promise<PixelImage> {
  const frame = picture instanceof VideoFrame ? picture : new VideoFrame(picture, { timestamp: 0 });
  if (picture !== frame) picture.close();
  const { width: widthPx, height: heightPx } = frame.visibleRect!;
  if (pixels.length !== 4 * widthPx * heightPx) pixels = new Uint8ClampedArray(4 * widthPx * heightPx);
  const image: PixelImage = { widthPx, heightPx, channels: 4, data: pixels, maxValue: 255, transfer: 'srgb' };
  try {
    const steps = STEPS[frame.format!];
    if (steps && isOfJpeg(frame))
      image.need = rgbaAsNeeded({ widthPx, heightPx, ...(await planesOf(frame)), steps }, pixels);
    else await frame.copyTo(pixels, { format: 'RGBA' });
  } finally {
    frame.close();
  }
  return image;
}

/** Pixels to a sample of colour, by what Chromium keeps of a JPEG; others it makes RGB of itself. */
const STEPS: Partial<Record<VideoPixelFormat, Planes['steps']>> = { I420: [2, 2], I422: [2, 1], I444: [1, 1] };

/** JFIF's full range of Y'CbCr. Chromium's own conversion of it would repeat the samples of colour. */
function isOfJpeg({ colorSpace }: VideoFrame): boolean {
  return colorSpace.fullRange === true && colorSpace.matrix === 'smpte170m';
}

async function planesOf(frame: VideoFrame): Promise<Pick<Planes, 'luma' | 'blue' | 'red'>> {
  const sizeBytes = frame.allocationSize();
  if (stored.length !== sizeBytes) stored = new Uint8Array(sizeBytes);
  const layout = await frame.copyTo(stored);
  const [luma, blue, red] = layout.map(({ offset, stride }) => ({ data: stored.subarray(offset), stride }));
  return { luma, blue, red };
}
