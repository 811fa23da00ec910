import { needAll, type PixelImage } from '../frame.ts';
import { linearTable } from './linear.ts';
import { reduce } from './reduce.ts';
import { solve } from './solve.ts';

/** One level of the pyramid: linear luminance above the local background, row-major. */
export interface Level {
  widthPx: number;
  heightPx: number;
  /** Size of one pixel of this level in frame pixels (1, 2, 4, 8, …). */
  scale: number;
  data: Float32Array;
  /** Robust standard deviation of the background noise. */
  noise: number;
}

const LEVELS = 5;
/** The background is fitted on this level. */
const BACKGROUND_LEVEL = 4;

/**
 * Linear luminance (sum of the channels, each 0…1) of a frame at halved sizes, background removed.
 * The arrays are used again for frames of the same size: making megabytes for each would cost as much as filling them.
 */
export class Pyramid {
  private levels: Pick<Level, 'widthPx' | 'heightPx' | 'data'>[] = [];
  /** Sky at the frame's centre before removal (sum of the channels, linear). */
  skyMean = 0;

  /** Fills the levels from `image`; the arrays stay valid until the next call. */
  build(image: PixelImage): Level[] {
    this.allocate(image);
    const { levels } = this;
    luminance(image, levels[0].data);
    for (let i = 1; i < LEVELS; i++)
      reduce(levels[i - 1].data, levels[i - 1].widthPx, levels[i].data, levels[i].widthPx);
    this.removeBackground();
    const floor = Math.max(1e-4, halfGreyStep(image, this.skyMean));
    return levels.map((level, i) => ({
      ...level,
      scale: image.widthPx / level.widthPx,
      noise: robustNoise(level.data, floor / 2 ** i),
    }));
  }

  /**
   * A quadratic surface follows moonlight and light-pollution gradients, and unlike a local median
   * it is not lifted by a pattern that fills a good part of a magnified picture.
   */
  private removeBackground(): void {
    const coarse = this.levels[BACKGROUND_LEVEL];
    const sky = fitSky(coarse.data, coarse.widthPx, coarse.heightPx);
    this.skyMean = sky[0];
    for (const { widthPx: cols, heightPx: rows, data } of this.levels) {
      for (let y = 0, i = 0; y < rows; y++) {
        const v = (2 * y + 1) / rows - 1;
        const constant = sky[0] + sky[2] * v + sky[5] * v * v;
        const slope = sky[1] + sky[4] * v;
        for (let x = 0; x < cols; x++, i++) {
          const u = (2 * x + 1) / cols - 1;
          data[i] -= constant + u * (slope + sky[3] * u);
        }
      }
    }
  }

  private allocate({ widthPx, heightPx }: PixelImage): void {
    if (this.levels[0]?.widthPx === widthPx && this.levels[0].heightPx === heightPx) return;
    this.levels = Array.from({ length: LEVELS }, (_, level) => {
      const [width, height] = [widthPx, heightPx].map((size) => Math.max(1, Math.round(size / 2 ** level)));
      return { widthPx: width, heightPx: height, data: new Float32Array(width * height) };
    });
  }
}

function luminance(image: PixelImage, out: Float32Array): void {
  const { data, channels } = image;
  const table = linearTable(image);
  needAll(image);
  if (channels === 1) {
    for (let i = 0; i < out.length; i++) out[i] = 3 * table[data[i]];
    return;
  }
  for (let i = 0, p = 0; i < out.length; i++, p += channels)
    out[i] = table[data[p]] + table[data[p + 1]] + table[data[p + 2]];
}

/** Half a grey step at the sky's brightness, of all channels together: thresholds stay above quantisation and JPEG's blocks. */
function halfGreyStep(image: PixelImage, sky: number): number {
  const table = linearTable(image);
  const light = sky / 3;
  let value = 0;
  while (value < image.maxValue - 1 && table[value + 1] < light) value++;
  return 1.5 * (table[value + 1] - table[value]);
}

/** Noise from the lower half of the distribution (median − 16th percentile), which stars do not reach. */
function robustNoise(data: Float32Array, floor: number): number {
  const step = Math.max(1, Math.floor(data.length / 1500)) | 1;
  const sample = new Float32Array(Math.ceil(data.length / step));
  for (let i = 0, j = 0; i < data.length; i += step) sample[j++] = data[i];
  sample.sort();
  const spread = sample[Math.floor(sample.length * 0.5)] - sample[Math.floor(sample.length * 0.16)];
  // A sky clipped to black or smoothed by JPEG has no noise of its own.
  return Math.max(spread, floor);
}

/**
 * Coefficients of 1, u, v, u², uv, v² (u, v in −1…1 over the frame) by least squares with clipping
 * of what stands above the sky, five rounds.
 */
function fitSky(data: Float32Array, cols: number, rows: number): Float64Array {
  let sky: Float64Array = new Float64Array(6);
  let limit = quantile(data, 0.5);
  limit += 3 * Math.max(1e-4, limit - quantile(data, 0.1));
  for (let round = 0; round < 5; round++) {
    const normal = Array.from({ length: 6 }, () => new Float64Array(6));
    const right = new Float64Array(6);
    const terms = new Float64Array(6);
    let count = 0;
    let squares = 0;
    for (let y = 0, i = 0; y < rows; y++) {
      const v = (2 * y + 1) / rows - 1;
      for (let x = 0; x < cols; x++, i++) {
        const u = (2 * x + 1) / cols - 1;
        terms.set([1, u, v, u * u, u * v, v * v]);
        let model = 0;
        if (round > 0) for (let a = 0; a < 6; a++) model += sky[a] * terms[a];
        const residual = data[i] - model;
        if (residual > limit) continue;
        count++;
        if (residual < 0) squares += residual * residual;
        for (let a = 0; a < 6; a++) {
          right[a] += terms[a] * data[i];
          for (let b = 0; b < 6; b++) normal[a][b] += terms[a] * terms[b];
        }
      }
    }
    if (count < 12) return sky;
    sky = solve(normal, right) ?? sky;
    if (round > 0) limit = Math.max(1e-4, 2.5 * Math.sqrt((2 * squares) / count));
    else limit = Math.max(1e-4, 2 * limit - 2 * quantile(data, 0.5));
  }
  return sky;
}

function quantile(data: Float32Array, q: number): number {
  const sorted = Float32Array.from(data).sort();
  return sorted[Math.floor(q * (sorted.length - 1))];
}
