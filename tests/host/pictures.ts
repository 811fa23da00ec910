/** Pictures for the tests, made by the simulator. */
import sharp, { type Sharp } from 'sharp';
import type { PixelImage } from '../../core/frame.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, type Scene, star } from '../../core/simulator/scene.ts';

/** A small star field with the pattern (or without mask), as an 8-bit picture. */
export function picture(changes: Partial<Scene> = {}): PixelImage {
  const scene = defaultScene({ widthPx: 320, heightPx: 240, star: star(160, 120, 400_000), dzUm: 20, ...changes });
  return expose(renderNoiseFree(scene), scene);
}

export function encoded({ data, widthPx: width, heightPx: height, channels }: PixelImage): Sharp {
  return sharp(data, { raw: { width, height, channels } });
}

export const patternJpeg = (): Promise<Buffer> => encoded(picture()).jpeg({ quality: 95 }).toBuffer();
export const starOnlyJpeg = (): Promise<Buffer> =>
  encoded(picture({ mask: null }))
    .jpeg({ quality: 95 })
    .toBuffer();
