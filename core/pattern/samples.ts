import type { PixelImage } from '../frame.ts';
import { linearTable } from './linear.ts';
import type { RoughPattern } from './rough.ts';

/** Radial range that holds the first order's spectrum (430–680 nm about its brightest part), and gaps. */
export const INNER = 0.66;
export const OUTER = 1.42;

/** A channel's value counts as saturated from here (of the largest value). */
export const SATURATION = 0.972;

/** Block means of the pixels near the six spots; positions relative to the rough star place, px. */
export interface Samples {
  count: number;
  x: Float32Array;
  y: Float32Array;
  /** +1 on the side of +u, −1 on the other. */
  side: Int8Array;
  channels: number;
  /** Linear light above the sky, count × channels; NaN where a pixel of the block is saturated. */
  value: Float32Array;
  /** Sky noise of one block in each channel. */
  skyNoise: Float64Array;
  /** Side of a block, px. */
  blockPx: number;
}

/** How finely and how widely to sample. */
export interface Sampling {
  /** Side of the blocks that are averaged, px. */
  blockPx: number;
  /** Half width of the strip about each line that is kept, px; null keeps the whole ring. */
  halfWidthPx: number | null;
}

/** For a first fit: the whole ring, so that light which the lines leave unexplained counts against them. */
export function coarseSampling(distancePx: number): Sampling {
  return { blockPx: Math.max(1, Math.floor(distancePx / 14)), halfWidthPx: null };
}

/**
 * Gathers what the fit needs. Spots are far wider than a pixel when the picture is magnified, so
 * blocks of a few pixels are averaged: the fit then costs the same at every scale and loses nothing.
 * The sky and its noise come from the same ring about the star, away from the lines.
 * @returns null when too little of the ring lies inside the frame
 */
export function collectSamples(image: PixelImage, rough: RoughPattern, sampling: Sampling): Samples | null {
  const { blockPx: block } = sampling;
  const { widthPx, heightPx, data } = image;
  const stride = image.channels;
  const channels = stride === 1 ? 1 : 3;
  const table = linearTable(image);
  const saturated = SATURATION * image.maxValue;
  const distance = rough.distancePx;
  const reach = OUTER * distance + block;
  const skyFrom = 1.5 * Math.max(3, 0.22 * distance, sampling.halfWidthPx ?? 0);
  const halfWidth = sampling.halfWidthPx ?? Number.POSITIVE_INFINITY;
  const inner2 = (INNER * distance) ** 2;
  const outer2 = (OUTER * distance) ** 2;
  const normals = Object.values(rough.pairs).map(({ angleDeg, shiftPx }) => {
    const angle = (angleDeg * Math.PI) / 180;
    return { cos: Math.cos(angle), sin: Math.sin(angle), across: shiftPx };
  });
  const middle = (rough.pairs.middle.angleDeg * Math.PI) / 180;
  const [ux, uy] = [Math.cos(middle), Math.sin(middle)];
  const xs: number[] = [];
  const ys: number[] = [];
  const sides: number[] = [];
  const values: number[] = [];
  const sky: number[][] = Array.from({ length: channels }, () => []);
  const mean = new Float64Array(channels);
  const left = Math.max(0, Math.floor(rough.xPx - reach));
  const top = Math.max(0, Math.floor(rough.yPx - reach));
  for (let by = top; by + block <= heightPx && by < rough.yPx + reach; by += block)
    for (let bx = left; bx + block <= widthPx && bx < rough.xPx + reach; bx += block) {
      const x = bx + (block - 1) / 2 - rough.xPx;
      const y = by + (block - 1) / 2 - rough.yPx;
      const r2 = x * x + y * y;
      if (r2 < inner2 || r2 > outer2) continue;
      let nearest = Infinity;
      for (const { cos, sin, across } of normals) nearest = Math.min(nearest, Math.abs(y * cos - x * sin - across));
      if (nearest > halfWidth && nearest <= skyFrom) continue;
      mean.fill(0);
      for (let py = by; py < by + block; py++)
        for (let p = (py * widthPx + bx) * stride, end = p + block * stride; p < end; p += stride)
          for (let c = 0; c < channels; c++) mean[c] += data[p + c] >= saturated ? Number.NaN : table[data[p + c]];
      for (let c = 0; c < channels; c++) mean[c] /= block * block;
      if (nearest <= halfWidth) {
        xs.push(x);
        ys.push(y);
        sides.push(x * ux + y * uy > 0 ? 1 : -1);
        for (let c = 0; c < channels; c++) values.push(mean[c]);
      }
      if (nearest > skyFrom) for (let c = 0; c < channels; c++) if (!Number.isNaN(mean[c])) sky[c].push(mean[c]);
    }
  if (sky[0].length < 20 || xs.length < 30) return null;
  const level = sky.map(median);
  for (let i = 0; i < values.length; i++) values[i] -= level[i % channels];
  return {
    count: xs.length,
    x: Float32Array.from(xs),
    y: Float32Array.from(ys),
    side: Int8Array.from(sides),
    channels,
    value: Float32Array.from(values),
    skyNoise: Float64Array.from(sky, (list, c) => clippedDeviation(list, level[c], block)),
    blockPx: block,
  };
}

function median(values: number[]): number {
  const sorted = Float64Array.from(values).sort();
  return sorted[sorted.length >> 1];
}

/** Standard deviation about `level`, values beyond 4 σ clipped; a black sky still has quantisation. */
function clippedDeviation(values: number[], level: number, block: number): number {
  let limit = Infinity;
  let sigma = 0;
  for (let round = 0; round < 3; round++) {
    let sum = 0;
    let count = 0;
    for (const value of values) {
      const deviation = value - level;
      if (Math.abs(deviation) > limit) continue;
      sum += deviation * deviation;
      count++;
    }
    sigma = Math.sqrt(sum / Math.max(1, count));
    limit = 4 * sigma;
  }
  return Math.max(sigma, 1.5e-4 / block);
}
