import sharp, { type Metadata, type Sharp } from 'sharp';
import type { PixelImage } from '../../core/frame.ts';
import { DecodeError } from './errors.ts';

// No picture is decoded twice: what the library would keep of them is only memory.
sharp.cache(false);

/**
 * JPEG, PNG, TIFF or WebP to pixels, 8 or 16 bits as stored; alpha is dropped.
 * @throws DecodeError
 */
export async function decodePicture(bytes: Uint8Array, maxPixels: number): Promise<PixelImage> {
  const input = sharp(bytes, {
    failOn: 'error', // a file cut short is an error, not a picture with a grey half
    ignoreIcc: true, // keep the values: a profile would bend the curve we undo
    limitInputPixels: false, // checked below, with a message of our own
  });
  const metadata = await readMetadata(input);
  if (metadata.width * metadata.height > maxPixels) throw tooLarge(metadata.width, metadata.height, maxPixels);
  const depth = depthOf(metadata);
  const isGrey = metadata.channels <= 2;
  try {
    const { data, info } = await input
      .removeAlpha()
      .toColourspace(depth === 16 ? (isGrey ? 'grey16' : 'rgb16') : isGrey ? 'b-w' : 'srgb')
      .raw({ depth: depth === 16 ? 'ushort' : 'uchar' })
      .toBuffer({ resolveWithObject: true });
    return {
      widthPx: info.width,
      heightPx: info.height,
      channels: info.channels as 1 | 3,
      data: depth === 16 ? new Uint16Array(data.buffer, data.byteOffset, data.length / 2) : data,
      maxValue: 2 ** depth - 1,
      transfer: 'srgb',
    };
  } catch {
    throw new DecodeError('damaged', 'the picture is cut short or damaged; copy it from the camera again');
  }
}

export function tooLarge(widthPx: number, heightPx: number, maxPixels: number): DecodeError {
  return new DecodeError(
    'too-large',
    `${widthPx} × ${heightPx} pixels is more than ${maxPixels / 1e6} million; crop it around the star`,
  );
}

// libvips also opens SVG, PDF, GIF and more: not photographs, and some may refer to other files.
const FORMATS = new Set(['jpeg', 'png', 'tiff', 'webp']);

async function readMetadata(input: Sharp): Promise<Metadata> {
  let metadata: Metadata;
  try {
    metadata = await input.metadata();
  } catch (error) {
    if (/unsupported image format/.test((error as Error).message)) throw notAnImage();
    throw new DecodeError('damaged', 'the picture is cut short or damaged; copy it from the camera again');
  }
  if (!FORMATS.has(metadata.format)) throw notAnImage();
  return metadata;
}

function notAnImage(): DecodeError {
  return new DecodeError('not-an-image', 'not a JPEG, PNG, TIFF, WebP or camera raw picture');
}

function depthOf(metadata: Metadata): 8 | 16 {
  if (metadata.depth === 'uchar') return 8;
  if (metadata.depth === 'ushort') return 16;
  throw new DecodeError('unsupported', `${metadata.depth} samples are not supported; export it as 16-bit TIFF`);
}
