import exifr from 'exifr';
import sharp from 'sharp';
import type { Frame, PixelImage } from '../../core/frame.ts';
import { srgbEncode } from '../../core/optics/transfer.ts';
import { decode } from '../decode/decode.ts';
import { readExif } from '../decode/exif.ts';

/**
 * A frame as a browser can show and measure it. Live view passes as it is. Stills get their pixel
 * size from EXIF, and those that a browser cannot decode (TIFF, camera raw), or would turn round by
 * their EXIF orientation, become 8-bit PNG. What cannot be decoded passes too: the screen says so.
 */
export async function displayable(frame: Frame): Promise<Frame> {
  if (frame.mode.kind === 'live') return frame;
  try {
    const { width, format } = await sharp(frame.bytes)
      .metadata()
      .catch(() => ({ width: 0, format: 'raw' }));
    const orientation = (await exifr.orientation(frame.bytes).catch(() => undefined)) ?? 1;
    const isPlain = orientation === 1 && ['jpeg', 'png', 'webp'].includes(format);
    const image = isPlain ? null : await decode(frame.bytes, frame.name);
    const { pixelUm, focalMm, exposureS } = await readExif(frame.bytes, image?.widthPx ?? width);
    const mode = {
      ...frame.mode,
      pixelUm: frame.mode.pixelUm ?? pixelUm,
      focalMm,
      exposureS: frame.mode.exposureS ?? exposureS,
    };
    return { ...frame, mode, bytes: image ? await toPng(image) : frame.bytes };
  } catch {
    return frame;
  }
}

function toPng(image: PixelImage): Promise<Buffer> {
  const channels = image.channels;
  const raw = { width: image.widthPx, height: image.heightPx, channels };
  return sharp(toEightBit(image), { raw }).png({ compressionLevel: 1 }).toBuffer();
}

/** Values 0–255 on the sRGB curve, as browsers take pictures to be. */
function toEightBit({ data, maxValue, transfer }: PixelImage): Uint8Array {
  if (maxValue === 255 && transfer === 'srgb') return data as Uint8Array;
  const curve = transfer === 'linear' ? srgbEncode : (value: number) => value;
  const table = Uint8Array.from({ length: maxValue + 1 }, (_, value) => Math.round(255 * curve(value / maxValue)));
  return Uint8Array.from(data as Uint16Array, (value) => table[value]);
}
