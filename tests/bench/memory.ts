/**
 * Whether memory stays flat over very many frames: `LiveMeasurer` is given small frames of changing size, with
 * the pattern, without, and with the star elsewhere, so that it follows, loses and searches.
 */
import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';
import type { PixelImage } from '../../core/frame.ts';
import { DEFAULT_MASK, type Mask } from '../../core/optics/mask.ts';
import { LiveMeasurer } from '../../core/pattern/live.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, star } from '../../core/simulator/scene.ts';
import { UNKNOWN_OPTICS } from './measurement.ts';

export interface MemoryFigures {
  frames: number;
  measured: number;
  seconds: number;
  /** The process's resident memory, its JavaScript heap and array buffers after collection, after each tenth of the frames, MB. */
  residentMb: number[];
  heapMb: number[];
  buffersMb: number[];
}

/**
 * Frames of several sizes: followed, lost, elsewhere, without spots, of another size; most of them hold no star, which is
 * quick, and each change of size has the reduced pictures made anew.
 */
export function mixedFrames(): PixelImage[] {
  const drawn = (sizePx: number, xPx: number, yPx: number, mask: Mask | null = DEFAULT_MASK) => {
    // Spots 14 px from the star: as small as can be, since it is the number of frames that counts.
    const scene = defaultScene({
      widthPx: sizePx,
      heightPx: sizePx,
      star: star(xPx, yPx, 40_000),
      mask,
      pitchUm: 800,
      pedestal: 0.004,
    });
    return expose(renderNoiseFree(scene), scene);
  };
  const followed = drawn(72, 36.3, 34.8);
  const moved = drawn(72, 41.1, 33.4);
  // Without the mask: frames of it are added up in vain.
  const bare = drawn(72, 36.3, 34.8, null);
  const small = drawn(64, 31.2, 32.1);
  const empty = drawn(80, -4000, -4000);
  const nothing = [empty, cutOut(empty, 56), empty, cutOut(empty, 64)];
  return [
    followed,
    followed,
    moved,
    ...nothing,
    small,
    small,
    ...nothing,
    ...nothing,
    ...Array(7).fill(bare),
    ...nothing,
  ];
}

function cutOut(image: PixelImage, size: number): PixelImage {
  const data = new Uint8Array(3 * size * size);
  for (let row = 0; row < size; row++) {
    const from = 3 * row * image.widthPx;
    data.set(image.data.subarray(from, from + 3 * size), 3 * row * size);
  }
  return { ...image, widthPx: size, heightPx: size, data };
}

/**
 * Node's own switch for it can be set while running. Array buffers are freed on another thread after a collection;
 * the next one waits for that.
 */
export function collectGarbage(): void {
  setFlagsFromString('--expose-gc');
  const collect = runInNewContext('gc') as () => void;
  collect();
  collect();
}

export async function benchMemory(
  frames = 100_000,
  progress: (done: number) => void = () => {},
): Promise<MemoryFigures> {
  const live = new LiveMeasurer();
  const mixed = mixedFrames();
  const megabytes = (bytes: number) => bytes / 2 ** 20;
  const figures: MemoryFigures = {
    frames,
    measured: 0,
    seconds: 0,
    residentMb: [],
    heapMb: [],
    buffersMb: [],
  };
  const started = performance.now();
  const looks = Array.from({ length: 10 }, (_, tenth) => Math.round(((tenth + 1) / 10) * frames));
  for (let i = 1; i <= frames; i++) {
    if (live.measure(mixed[i % mixed.length], UNKNOWN_OPTICS).status === 'measured') figures.measured++;
    if (i % 1000 === 0) progress(i);
    if (!looks.includes(i)) continue;
    collectGarbage();
    const { rss, heapUsed, arrayBuffers } = process.memoryUsage();
    figures.residentMb.push(megabytes(rss));
    figures.heapMb.push(megabytes(heapUsed));
    figures.buffersMb.push(megabytes(arrayBuffers));
  }
  figures.seconds = (performance.now() - started) / 1000;
  return figures;
}
