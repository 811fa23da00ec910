/** JPEG bytes of a picture, as a camera would send them (chroma at half resolution). */
import sharp from 'sharp';
import type { PixelImage } from '../../core/frame.ts';

export function encodeJpeg(image: PixelImage, quality: number): Promise<Buffer> {
  return sharp(image.data as Uint8Array, {
    raw: { width: image.widthPx, height: image.heightPx, channels: image.channels },
  })
    .jpeg({ quality, chromaSubsampling: '4:2:0' })
    .toBuffer();
}
