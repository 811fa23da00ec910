/**
 * Brightness and noise of the sky over the picture: of each cell what is left after clipping stars away, smoothed
 * over neighbours by a median, linear in between. The estimate of a cell is that of Bertin & Arnouts 1996 (A&AS 117,
 * 393): 2.5 median − 1.5 mean, or the median where the field is crowded.
 */
import type { PixelImage } from '../frame.ts';
import { median } from '../track/fit.ts';
import { halfGreyStep, lightOf } from './light.ts';

const CELL_PX = 128;
/** Pixels of a cell that give its rough level and noise. */
const SAMPLE = 500;

export class Sky {
  readonly #cols: number;
  readonly #rows: number;
  readonly #cellX: number;
  readonly #cellY: number;
  readonly #level: Float32Array;
  readonly #noise: Float32Array;

  constructor(image: PixelImage) {
    const { widthPx, heightPx } = image;
    this.#cols = Math.max(1, Math.round(widthPx / CELL_PX));
    this.#rows = Math.max(1, Math.round(heightPx / CELL_PX));
    this.#cellX = widthPx / this.#cols;
    this.#cellY = heightPx / this.#rows;
    const cells = Array.from({ length: this.#cols * this.#rows }, (_, i) => this.#cell(image, i));
    this.#level = this.#smooth(cells.map(({ level }) => level));
    this.#noise = this.#smooth(cells.map(({ noise }) => noise));
  }

  /** Sky and its noise (standard deviation of one pixel) at a place. */
  at(xPx: number, yPx: number): { level: number; noise: number } {
    const [level, noise] = [new Float32Array(1), new Float32Array(1)];
    this.row(xPx, yPx, level, noise);
    return { level: level[0], noise: noise[0] };
  }

  /** The same along a row, from `x0` on. */
  row(x0: number, yPx: number, level: Float32Array, noise: Float32Array): void {
    const [top, down] = place(yPx, this.#cellY, this.#rows);
    const below = Math.min(this.#rows - 1, top + 1);
    const column = (grid: Float32Array, col: number) =>
      grid[top * this.#cols + col] * (1 - down) + grid[below * this.#cols + col] * down;
    // From one cell's middle to the next both are straight lines; the outermost go on to the edges.
    for (let i = 0; i < level.length; ) {
      const [left, along] = place(x0 + i, this.#cellX, this.#cols);
      const right = Math.min(this.#cols - 1, left + 1);
      const isLast = left >= this.#cols - 2;
      const end = isLast ? level.length : Math.min(level.length, i + Math.max(1, Math.ceil((1 - along) * this.#cellX)));
      const [levelLeft, noiseLeft] = [column(this.#level, left), column(this.#noise, left)];
      const levelSlope = (column(this.#level, right) - levelLeft) / this.#cellX;
      const noiseSlope = (column(this.#noise, right) - noiseLeft) / this.#cellX;
      const least = 0.5 * Math.min(noiseLeft, column(this.#noise, right));
      for (let way = along * this.#cellX; i < end; i++, way++) {
        level[i] = levelLeft + levelSlope * way;
        noise[i] = Math.max(least, noiseLeft + noiseSlope * way);
      }
    }
  }

  #cell(image: PixelImage, index: number): { level: number; noise: number } {
    const x0 = Math.floor((index % this.#cols) * this.#cellX);
    const y0 = Math.floor(Math.floor(index / this.#cols) * this.#cellY);
    const widthPx = Math.min(image.widthPx, Math.ceil(x0 + this.#cellX)) - x0;
    const heightPx = Math.min(image.heightPx, Math.ceil(y0 + this.#cellY)) - y0;
    const light = new Float32Array(widthPx * heightPx);
    lightOf(image, { x0, y0, widthPx, heightPx }, light);
    const step = Math.max(1, Math.floor(light.length / SAMPLE)) | 1;
    const sample = Float32Array.from({ length: Math.ceil(light.length / step) }, (_, i) => light[i * step]).sort();
    const middle = sample[sample.length >> 1];
    const least = halfGreyStep(image, middle);
    return clipped(light, middle, Math.max(least, middle - sample[Math.floor(0.1587 * sample.length)]), least);
  }

  /** Median over the cells around: a cell full of a bright star or a hill does not count. */
  #smooth(values: number[]): Float32Array {
    return Float32Array.from(values, (_, index) => {
      const [col, row] = [index % this.#cols, Math.floor(index / this.#cols)];
      const around: number[] = [];
      for (let y = Math.max(0, row - 1); y <= Math.min(this.#rows - 1, row + 1); y++)
        for (let x = Math.max(0, col - 1); x <= Math.min(this.#cols - 1, col + 1); x++)
          around.push(values[y * this.#cols + x]);
      // At an edge the median of a slope lies too far inside; there the cell stands for itself.
      return around.length < 9 ? values[index] : median(around);
    });
  }
}

/** Index of the cell at or before a place, and the way to the next; beyond 0…1 at the picture's edges. */
function place(atPx: number, cellPx: number, count: number): [number, number] {
  const cells = (atPx + 0.5) / cellPx - 0.5;
  const first = Math.min(Math.max(0, count - 2), Math.max(0, Math.floor(cells)));
  return [first, count === 1 ? 0 : cells - first];
}

/** A cell's light is sorted into so many bins, from −REACH to REACH of its rough noise about its rough level. */
const BINS = 500;
const REACH = 5;

/** Sky of a cell after rounds of clipping at 3 σ. */
function clipped(light: Float32Array, level: number, roughNoise: number, leastNoise: number) {
  const width = (2 * REACH * roughNoise) / BINS;
  const start = level - REACH * roughNoise;
  const exact = new Uint32Array(BINS);
  for (const value of light) {
    const bin = Math.floor((value - start) / width);
    if (bin >= 0 && bin < BINS) exact[bin]++;
  }
  // Few grey steps make a comb, whose median jumps from tooth to tooth: each value is spread over a channel's step.
  const counts = evened(exact, Math.round(leastNoise / 1.5 / width));
  let [from, until] = [0, BINS];
  let [mean, middle, sigma] = [0, 0, 0];
  for (let round = 0; round < 8; round++) {
    let [count, sum, squares] = [0, 0, 0];
    for (let bin = from; bin < until; bin++) {
      count += counts[bin];
      sum += counts[bin] * bin;
      squares += counts[bin] * bin * bin;
    }
    mean = sum / count;
    sigma = Math.sqrt(Math.max(0, squares / count - mean * mean));
    let [below, bin] = [0, from];
    while (below + counts[bin] < count / 2) below += counts[bin++];
    middle = bin - 0.5 + (count / 2 - below) / counts[bin];
    const [low, high] = [
      Math.max(from, Math.floor(middle - 3 * sigma)),
      Math.min(until, Math.ceil(middle + 3 * sigma)),
    ];
    if (low === from && high === until) break;
    [from, until] = [low, high];
  }
  const crowded = Math.abs(mean - middle) > 0.3 * sigma;
  const bin = crowded ? middle : 2.5 * middle - 1.5 * mean;
  // What clipping at 3 σ takes off a normal distribution's spread.
  return { level: start + (bin + 0.5) * width, noise: Math.max(leastNoise, (sigma * width) / 0.9866) };
}

/** Sums over so many bins about each. */
function evened(counts: Uint32Array, span: number): Float64Array {
  const out = new Float64Array(counts.length);
  const half = Math.floor(span / 2);
  for (let bin = 0; bin < counts.length; bin++)
    for (let i = Math.max(0, bin - half); i <= Math.min(counts.length - 1, bin + half); i++) out[bin] += counts[i];
  return out;
}
