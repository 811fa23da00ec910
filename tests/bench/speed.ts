/** How long one frame takes on one core, decoding counted apart. */
import type { PixelImage } from '../../core/frame.ts';
import { LiveMeasurer } from '../../core/pattern/live.ts';
import { measure } from '../../core/pattern/measure.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { encodeJpeg } from '../support/encode.ts';
import { decoded } from './frames.ts';
import { percentiles } from './measurement.ts';
import { drawScene, FAMILIES, type Family } from './scenes.ts';

export interface SpeedRow {
  size: string;
  decodeMs: [p50: number, p95: number];
  /** The whole frame searched, as for a first frame. */
  anewMs: [number, number];
  /** As one frame after the other of one live view. */
  followedMs: [number, number];
  /** The same scene without the mask. */
  nothingMs: [number, number];
}

const SIZES = ['640x424', 'plain', '1920x1280'];

/** @param frames of each size: several scenes, so many exposures each */
export async function benchSpeed(frames = 60): Promise<SpeedRow[]> {
  const scenes = 4;
  const rows: SpeedRow[] = [];
  for (const name of SIZES) {
    const family = FAMILIES.find((family) => family.name === name) as Family;
    const times = {
      decodeMs: [] as number[],
      anewMs: [] as number[],
      followedMs: [] as number[],
      nothingMs: [] as number[],
    };
    const timed = (list: number[], work: () => unknown) => {
      const start = performance.now();
      work();
      list.push(performance.now() - start);
    };
    let size = '';
    for (let i = 0; i < scenes; i++) {
      const scene = drawScene(family, 20_000 + i, 1);
      const { focalMm, fNumber, pixelUm } = scene;
      const optics = { focalMm, fNumber, pixelUm, mask: null };
      size = `${scene.widthPx} × ${scene.heightPx}`;
      const [lit, bare] = [scene, { ...scene, mask: null }].map((each) => renderNoiseFree(each));
      const live = new LiveMeasurer();
      for (let n = 0; n < frames / scenes; n++) {
        const look = async (light: typeof lit): Promise<PixelImage> => {
          const jpeg = await encodeJpeg(expose(light, { ...scene, seed: n + 1 }), scene.jpegQuality);
          const start = performance.now();
          const image = await decoded(jpeg);
          times.decodeMs.push(performance.now() - start);
          return image;
        };
        const [image, empty] = [await look(lit), await look(bare)];
        timed(times.anewMs, () => measure(image, optics));
        const followed = () => live.measure(image, optics);
        // The first frame is searched, not followed.
        if (n === 0) followed();
        timed(times.followedMs, followed);
        timed(times.nothingMs, () => measure(empty, optics));
      }
    }
    rows.push({
      size,
      decodeMs: percentiles(times.decodeMs),
      anewMs: percentiles(times.anewMs),
      followedMs: percentiles(times.followedMs),
      nothingMs: percentiles(times.nothingMs),
    });
  }
  return rows;
}
