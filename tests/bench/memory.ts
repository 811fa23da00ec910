/**
 * Whether memory stays flat over very many frames: `LiveMeasurer` is given small frames of changing size, with
 * the pattern, without, and with the star elsewhere, so that it follows, loses and searches.
 */
import type { PixelImage } from '../../core/frame.ts';
import { type Cv, loadCv } from '../../core/pattern/cv.ts';
import { LiveMeasurer } from '../../core/pattern/live.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, star } from '../../core/simulator/scene.ts';
import { UNKNOWN_OPTICS } from './measurement.ts';

export interface MemoryFigures {
  frames: number;
  measured: number;
  seconds: number;
  /** Top of what OpenCV has in use, after a twentieth of the frames, half, and all, MB. */
  openCvMb: number[];
  /** Resident memory and JavaScript heap (after collection where node runs with --expose-gc) at the same times, MB. */
  residentMb: number[];
  heapMb: number[];
}

/** Frames of several sizes: followed four times, then lost, then elsewhere. */
export function mixedFrames(): PixelImage[] {
  const drawn = (sizePx: number, xPx: number, yPx: number) => {
    const scene = defaultScene({
      widthPx: sizePx,
      heightPx: sizePx,
      star: star(xPx, yPx, 60_000),
      // Spots 22 px from the star.
      pitchUm: 500,
      pedestal: 0.004,
    });
    return expose(renderNoiseFree(scene), scene);
  };
  const large = drawn(128, 62.3, 64.8);
  const moved = drawn(128, 75.1, 58.4);
  const small = drawn(96, 47.2, 49.1);
  const empty = drawn(112, -4000, -4000);
  return [large, large, large, moved, empty, small, small, empty];
}

/** Where OpenCV places a matrix too large for any gap: above everything that is in use, bytes. */
export function topOfHeap(cv: Cv): number {
  const mat = new cv.Mat(2048, 2048, cv.CV_32FC1);
  const { byteOffset } = mat.data32F;
  mat.delete();
  return byteOffset;
}

export async function benchMemory(
  frames = 100_000,
  progress: (done: number) => void = () => {},
): Promise<MemoryFigures> {
  const cv = await loadCv();
  const live = new LiveMeasurer(cv);
  const mixed = mixedFrames();
  const megabytes = (bytes: number) => bytes / 2 ** 20;
  const figures: MemoryFigures = { frames, measured: 0, seconds: 0, openCvMb: [], residentMb: [], heapMb: [] };
  const started = performance.now();
  const looks = [0.05, 0.5, 1].map((share) => Math.round(share * frames));
  for (let i = 1; i <= frames; i++) {
    if (live.measure(mixed[i % mixed.length], UNKNOWN_OPTICS).status === 'measured') figures.measured++;
    if (i % 1000 === 0) progress(i);
    if (!looks.includes(i)) continue;
    globalThis.gc?.();
    const { rss, heapUsed } = process.memoryUsage();
    figures.openCvMb.push(megabytes(topOfHeap(cv)));
    figures.residentMb.push(megabytes(rss));
    figures.heapMb.push(megabytes(heapUsed));
  }
  figures.seconds = (performance.now() - started) / 1000;
  return figures;
}
