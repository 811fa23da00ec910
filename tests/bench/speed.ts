/** How long one frame takes on one core, decoding counted apart. */
import type { PixelImage } from '../../core/frame.ts';
import { LiveMeasurer } from '../../core/pattern/live.ts';
import { measure } from '../../core/pattern/measure.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { encodeJpeg } from '../support/encode.ts';
import { decoded } from './frames.ts';
import { percentiles } from './measurement.ts';
import { type BenchScene, drawScene, FAMILIES, type Family } from './scenes.ts';
import { openVisionWorker } from './visionWorker.ts';

export interface SpeedRow {
  size: string;
  decodeMs: [p50: number, p95: number];
  /** The whole frame searched, as for a first frame. */
  anewMs: [number, number];
  /** One frame after the other of one live view, its first second or two: the engine still compiles, tables are made. */
  firstMs: [number, number];
  /** From then on. */
  followedMs: [number, number];
  /** The same frames in Chromium's worker; null when the interface is not built. */
  workerMs: [number, number] | null;
  /** The same scene without the mask. */
  nothingMs: [number, number];
}

const SIZES = ['640x424', 'plain', '1920x1280'];
/** Scenes of each size, exposures of each scene, and how often a live view goes through them: to begin with, and timed. */
const SCENES = 4;
const EXPOSURES = 15;
const FIRST_ROUNDS = 2;
const ROUNDS = 6;

export async function benchSpeed(): Promise<SpeedRow[]> {
  const rows: SpeedRow[] = [];
  const worker = await openVisionWorker();
  for (const name of SIZES) {
    const family = FAMILIES.find((family) => family.name === name) as Family;
    const decodeMs: number[] = [];
    const anewMs: number[] = [];
    const firstMs: number[] = [];
    const followedMs: number[] = [];
    const workerMs: number[] = [];
    const nothingMs: number[] = [];
    let size = '';
    for (let i = 0; i < SCENES; i++) {
      const scene = drawScene(family, 20_000 + i, 1);
      const { focalMm, fNumber, pixelUm } = scene;
      const optics = { focalMm, fNumber, pixelUm, mask: null };
      size = `${scene.widthPx} × ${scene.heightPx}`;
      const { jpegs, images } = await exposures(scene, decodeMs);
      const { images: empty } = await exposures({ ...scene, mask: null }, decodeMs);
      for (const image of images) timed(anewMs, () => measure(image, optics));
      for (const image of empty) timed(nothingMs, () => measure(image, optics));
      const live = new LiveMeasurer();
      // A live view's first frame is searched, not followed.
      live.measure(images[0], optics);
      for (let round = 0; round < FIRST_ROUNDS + ROUNDS; round++)
        for (const image of images)
          timed(round < FIRST_ROUNDS ? firstMs : followedMs, () => live.measure(image, optics));
      const inWorkerMs = await worker?.follow(jpegs, optics, FIRST_ROUNDS + ROUNDS);
      workerMs.push(...(inWorkerMs ?? []).slice(FIRST_ROUNDS * EXPOSURES));
    }
    rows.push({
      size,
      decodeMs: percentiles(decodeMs),
      anewMs: percentiles(anewMs),
      firstMs: percentiles(firstMs),
      followedMs: percentiles(followedMs),
      workerMs: worker && percentiles(workerMs),
      nothingMs: percentiles(nothingMs),
    });
  }
  await worker?.close();
  return rows;
}

/** Exposures of one scene as JPEG files, and as they come out of them. */
async function exposures(scene: BenchScene, decodeMs: number[]): Promise<{ jpegs: Buffer[]; images: PixelImage[] }> {
  const light = renderNoiseFree(scene);
  const jpegs: Buffer[] = [];
  const images: PixelImage[] = [];
  for (let n = 0; n < EXPOSURES; n++) {
    const jpeg = await encodeJpeg(expose(light, { ...scene, seed: n + 1 }), scene.jpegQuality);
    jpegs.push(jpeg);
    const start = performance.now();
    images.push(await decoded(jpeg));
    decodeMs.push(performance.now() - start);
  }
  return { jpegs, images };
}

function timed(list: number[], work: () => unknown): void {
  const start = performance.now();
  work();
  list.push(performance.now() - start);
}
