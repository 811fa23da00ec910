import sharp from 'sharp';
import type { PixelImage } from '../../core/frame.ts';
import { srgbEncode } from '../../core/optics/transfer.ts';

/** JPEG bytes of a picture, as a camera would send them (chroma at half resolution). */
export function encodeJpeg(image: PixelImage, quality: number): Promise<Buffer> {
  return sharp(image.data as Uint8Array, {
    raw: { width: image.widthPx, height: image.heightPx, channels: image.channels },
  })
    .jpeg({ quality, chromaSubsampling: '4:2:0' })
    .toBuffer();
}

/** TIFF of a linear picture, 16 bits, on the curve of IEC 61966-2-1 that TIFF files are taken to be on. */
export function encodeTiff(image: PixelImage): Promise<Buffer> {
  const { widthPx: width, heightPx: height, channels, data, maxValue } = image;
  const encoded = Uint16Array.from(data, (value) => Math.round(65535 * srgbEncode(value / maxValue)));
  return sharp(encoded, { raw: { width, height, channels } }).toColourspace('rgb16').tiff().toBuffer();
}

/** A JPEG's APP1 as EXIF makes it, with a thumbnail that ends as every JPEG does, spliced in behind SOI. */
export function withThumbnail(jpeg: Buffer, thumbnail: Buffer): Buffer {
  const exif = Buffer.concat([Buffer.from('Exif\0\0'), thumbnail]);
  const lengthBytes = Buffer.alloc(2);
  lengthBytes.writeUInt16BE(2 + exif.length);
  return Buffer.concat([jpeg.subarray(0, 2), Buffer.of(0xff, 0xe1), lengthBytes, exif, jpeg.subarray(2)]);
}
