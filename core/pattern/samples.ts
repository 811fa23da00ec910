import type { PixelImage } from '../frame.ts';
import { rowOffsets } from './banding.ts';
import { linearTable } from './linear.ts';
import type { Mosaic } from './mosaic.ts';
import type { RoughPattern } from './rough.ts';

/** Radial range that holds the first order's spectrum (430–680 nm about its brightest part), and gaps. */
export const INNER = 0.66;
export const OUTER = 1.42;

/** A channel's value counts as saturated from here (of the largest value). */
export const SATURATION = 0.972;

/**
 * Block means of the pixels near the six spots, or a sensor's own pixels; positions relative to the rough
 * star place, px. A colour picture's channels are red, green and blue, or its brightness alone.
 */
export interface Samples {
  count: number;
  x: Float32Array;
  y: Float32Array;
  /** +1 on the side of +u, −1 on the other. */
  side: Int8Array;
  channels: number;
  /** Where each sample has one channel alone, which; null where each has all. */
  channel: Uint8Array | null;
  /** Linear light above the sky, count × channels; NaN where a pixel of the block is saturated or has not that colour. */
  value: Float32Array;
  /** The green light, where `value` is a colour picture's brightness. */
  green: Float32Array | null;
  /** Sky noise of one sample in each channel. */
  skyNoise: Float64Array;
  /** From one sample to the next, px. */
  stepPx: number;
}

/** How finely and how widely to sample. */
export interface Sampling {
  /** Side of the blocks that are averaged, px. */
  blockPx: number;
  /** Half width of the strip about each line that is kept, px; null keeps the whole ring. */
  halfWidthPx: number | null;
  /** Takes one brightness in place of a colour picture's three channels. */
  brightness: boolean;
  /** The sensor's pixels, to be taken in place of blocks where a picture is enlarged. */
  mosaic: Mosaic | null;
}

/** For a first fit: the whole ring, so that light which the lines leave unexplained counts against them. */
export function coarseSampling(distancePx: number): Sampling {
  return { blockPx: Math.max(1, Math.floor(distancePx / 14)), halfWidthPx: null, brightness: false, mosaic: null };
}

/** Blocks larger than this, in steps of the sensor's pixels, are as good as those pixels themselves, and fewer. */
const MOST_BLOCK = 2.5;

/** Numbers gathered one after the other, in memory that is used again. */
class Numbers {
  list = new Float64Array(1024);
  count = 0;

  push(value: number): void {
    if (this.count === this.list.length) {
      const larger = new Float64Array(2 * this.count);
      larger.set(this.list);
      this.list = larger;
    }
    this.list[this.count++] = value;
  }

  clear(): void {
    this.count = 0;
  }

  get all(): Float64Array {
    return this.list.subarray(0, this.count);
  }
}

/** Of the samples gathered last. */
const gathered = {
  xs: new Numbers(),
  ys: new Numbers(),
  sides: new Numbers(),
  colours: new Numbers(),
  values: new Numbers(),
};

/** Sky to either side of the pattern in which banding shows, if it is as wide. */
const BESIDE_PX = 128;
/** Blocks of sky that are enough to know it. */
const SKY_BLOCKS = 1500;

/**
 * Gathers what the fit needs. Spots are far wider than a pixel when the picture is magnified, so
 * blocks of a few pixels are averaged: the fit then costs the same at every scale and loses nothing.
 * The sky and its noise come from the same ring about the star, away from the lines.
 *
 * Brightness is the sum of the linear channels with the weights of Y′ (ITU-R BT.601, as JFIF has it): a JPEG keeps
 * colour for each second pixel and coarsely, and most of that goes out in this sum. Y′ itself is a sum of encoded
 * values, in which a coloured spot's flanks come out too bright or too dark. Faint light at the spectrum's ends
 * is better seen in its own channel.
 *
 * Where the sensor's pixels are enlarged they are taken themselves, each for its own colour, and brightness is the green
 * light alone: red and blue have a quarter of the pixels each, and green half of them.
 * @returns null when too little of the ring lies inside the frame
 */
export function collectSamples(image: PixelImage, rough: RoughPattern, sampling: Sampling): Samples | null {
  const { mosaic } = sampling;
  const sites = mosaic && sampling.blockPx < MOST_BLOCK * mosaic.stepPx ? mosaic : null;
  const block = sites ? 1 : sampling.blockPx;
  const stepPx = sites ? sites.stepPx : block;
  const { widthPx, heightPx } = image;
  const brightness = image.channels > 1 && sampling.brightness;
  const channels = image.channels === 1 || brightness ? 1 : 3;
  const blocks = new BlockMeans(image, block, brightness);
  const { mean } = blocks;
  const distance = rough.distancePx;
  const reach = OUTER * distance + block;
  const skyFrom = 1.5 * Math.max(3, 0.22 * distance, sampling.halfWidthPx ?? 0);
  const halfWidth = sampling.halfWidthPx ?? Number.POSITIVE_INFINITY;
  const inner2 = (INNER * distance) ** 2;
  const outer2 = (OUTER * distance) ** 2;
  const skyEvery = Math.max(1, Math.floor((Math.PI * (outer2 - inner2)) / stepPx ** 2 / SKY_BLOCKS));
  const normals = Object.values(rough.pairs).map(({ angleDeg, shiftPx }) => {
    const angle = (angleDeg * Math.PI) / 180;
    return { cos: Math.cos(angle), sin: Math.sin(angle), across: shiftPx };
  });
  const middle = (rough.pairs.middle.angleDeg * Math.PI) / 180;
  const [ux, uy] = [Math.cos(middle), Math.sin(middle)];
  const { xs, ys, sides, colours, values } = gathered;
  for (const numbers of Object.values(gathered)) numbers.clear();
  const sky: number[][] = Array.from(mean, () => []);
  const skyXs: number[][] = Array.from(mean, () => []);
  const skyYs: number[][] = Array.from(mean, () => []);
  const left = Math.max(0, Math.floor(rough.xPx - reach));
  const top = Math.max(0, Math.floor(rough.yPx - reach));
  const right = Math.min(widthPx, Math.ceil(rough.xPx + reach));
  const bottom = Math.min(heightPx, Math.ceil(rough.yPx + reach) + block);
  // What lies about the last samples, too: they are blocks, or between pixels.
  const height = bottom + 1 - top;
  image.need?.({ xPx: left, yPx: top, widthPx: right + block + 1 - left, heightPx: height });
  const places = (origin: number, from: number, sizePx: number, starPx: number) =>
    placesOf(origin, stepPx, from, Math.min(sites ? sizePx - 1 : sizePx - block + 1, starPx + reach));
  const columns = places(sites?.redXPx ?? left, left, widthPx, rough.xPx);
  const rows = places(sites?.redYPx ?? top, top, heightPx, rough.yPx);
  let turn = 0;
  for (const { px: by, isOdd: isOddRow } of rows) {
    const y = by + (block - 1) / 2 - rough.yPx;
    for (let column = 0; column < columns.length; column++) {
      const { px: bx, isOdd } = columns[column];
      const x = bx + (block - 1) / 2 - rough.xPx;
      const r2 = x * x + y * y;
      if (r2 < inner2 || r2 > outer2) continue;
      const colour = Number(isOdd) + Number(isOddRow);
      if (sites && brightness && colour !== GREEN) continue;
      let nearest = Infinity;
      for (let line = 0; line < normals.length; line++) {
        const { cos, sin, across } = normals[line];
        nearest = Math.min(nearest, Math.abs(y * cos - x * sin - across));
      }
      const isSky = nearest > skyFrom && turn++ % skyEvery === 0;
      if (nearest > halfWidth && !isSky) continue;
      if (sites) {
        blocks.takeBetween(bx, by);
        if (!brightness) for (let c = 0; c < mean.length; c++) if (c !== colour) mean[c] = Number.NaN;
      } else blocks.take(bx, by);
      if (nearest <= halfWidth) {
        xs.push(x);
        ys.push(y);
        sides.push(x * ux + y * uy > 0 ? 1 : -1);
        colours.push(colour);
        for (let c = 0; c < mean.length; c++) values.push(mean[c]);
      }
      if (!isSky) continue;
      for (let c = 0; c < mean.length; c++) {
        if (Number.isNaN(mean[c])) continue;
        sky[c].push(mean[c]);
        skyXs[c].push(x);
        skyYs[c].push(y);
      }
    }
  }
  const { count } = xs;
  if (sky[0].length < 20 || count < 30) return null;
  const level = sky.map(median);
  /** Takes light off a channel, in the samples and in the sky. */
  const takeOff = (c: number, lightAt: (x: number, y: number) => number) => {
    for (let i = 0; i < count; i++) values.list[i * mean.length + c] -= lightAt(xs.list[i], ys.list[i]);
    for (let i = 0; i < sky[c].length; i++) sky[c][i] -= lightAt(skyXs[c][i], skyYs[c][i]);
  };
  /** The columns up to `farPx` from the pattern, to both sides. */
  const beside = (farPx: number) => {
    const [from, to] = [Math.max(0, left - farPx), Math.min(widthPx, right + farPx)];
    image.need?.({ xPx: from, yPx: top, widthPx: to - from, heightPx: height });
    return [
      [from, left],
      [right, to],
    ] as const;
  };
  const near = beside(Math.max(BESIDE_PX, Math.ceil(reach)));
  for (let c = 0; c < mean.length; c++) {
    const valueAt = (px: number, py: number) => blocks.ofPixel(c, px, py);
    const noise = block * clippedDeviation(sky[c], level[c], block);
    const offsets = rowOffsets(valueAt, near, () => beside(Infinity), [top, bottom], level[c], noise);
    if (!offsets) continue;
    takeOff(c, (_, y) => {
      const first = Math.round(y + rough.yPx - (block - 1) / 2) - top;
      let sum = 0;
      for (let i = first; i < first + block; i++) sum += offsets[i];
      return sum / block;
    });
  }
  // Where the ring is whole the star's own glow has no slope.
  const isWhole = Math.min(rough.xPx, rough.yPx, widthPx - 1 - rough.xPx, heightPx - 1 - rough.yPx) >= reach;
  for (let c = 0; isWhole && c < mean.length; c++) {
    const slope = slopeOf(skyXs[c], skyYs[c], sky[c], level[c], clippedDeviation(sky[c], level[c], block));
    if (slope) takeOff(c, (x, y) => slope.x * x + slope.y * y);
  }
  const first = brightness && mosaic ? GREEN : 0;
  const plane = (from: number, planes: number) => {
    const out = new Float32Array(count * planes);
    for (let i = 0, at = 0; i < count; i++)
      for (let c = from; c < from + planes; c++) out[at++] = values.list[i * mean.length + c] - level[c];
    return out;
  };
  return {
    count,
    x: new Float32Array(xs.all),
    y: new Float32Array(ys.all),
    side: new Int8Array(sides.all),
    channels,
    channel: channels === 1 ? new Uint8Array(count) : sites ? new Uint8Array(colours.all) : null,
    value: plane(first, channels),
    green: brightness ? plane(GREEN, 1) : null,
    skyNoise: Float64Array.from({ length: channels }, (_, c) =>
      clippedDeviation(sky[first + c], level[first + c], block),
    ),
    stepPx,
  };
}

/** Places of samples along one side, and whether each is an odd number of steps from the origin; `to` is not one. */
function placesOf(origin: number, stepPx: number, from: number, to: number): { px: number; isOdd: boolean }[] {
  const places = [];
  for (let i = Math.ceil((from - origin) / stepPx); origin + i * stepPx < to; i++)
    places.push({ px: origin + i * stepPx, isOdd: i % 2 !== 0 });
  return places;
}

/** Place of the green light: among red, green and blue, and after brightness. */
const GREEN = 1;

/** Mean linear light of square blocks: by channel, or of brightness and green. */
class BlockMeans {
  /** Of the block taken last; NaN where a pixel is saturated. */
  readonly mean: Float64Array;
  private readonly image: PixelImage;
  private readonly block: number;
  private readonly table: Float32Array;
  private readonly saturated: number;

  constructor(image: PixelImage, block: number, brightness: boolean) {
    this.image = image;
    this.block = block;
    this.mean = new Float64Array(image.channels === 1 ? 1 : brightness ? 2 : 3);
    this.table = linearTable(image);
    this.saturated = SATURATION * image.maxValue;
  }

  /** Light at a place between pixels, by linear interpolation; for blocks of a pixel. */
  takeBetween(x: number, y: number): void {
    const [left, top] = [Math.floor(x), Math.floor(y)];
    const sum = new Float64Array(this.mean.length);
    for (const [px, across] of [
      [left, left + 1 - x],
      [left + 1, x - left],
    ])
      for (const [py, down] of [
        [top, top + 1 - y],
        [top + 1, y - top],
      ]) {
        if (across * down === 0) continue;
        this.take(px, py);
        for (let c = 0; c < sum.length; c++) sum[c] += across * down * this.mean[c];
      }
    this.mean.set(sum);
  }

  take(bx: number, by: number): void {
    const { mean, block } = this;
    const { widthPx, channels: stride } = this.image;
    for (let c = 0; c < mean.length; c++) {
      let sum = 0;
      for (let py = by; py < by + block; py++)
        for (let p = (py * widthPx + bx) * stride, end = p + block * stride; p < end; p += stride)
          sum += this.light(c, p);
      mean[c] = sum / (block * block);
    }
  }

  /** Light of one pixel as channel `c` has it. */
  ofPixel(c: number, px: number, py: number): number {
    return this.light(c, (py * this.image.widthPx + px) * this.image.channels);
  }

  /** @param p the pixel's first value */
  private light(c: number, p: number): number {
    const { table, saturated } = this;
    const { data } = this.image;
    if (this.mean.length !== 2) return data[p + c] < saturated ? table[data[p + c]] : Number.NaN;
    const green = data[p + 1];
    if (c === GREEN) return green < saturated ? table[green] : Number.NaN;
    const red = data[p];
    const blue = data[p + 2];
    const isWhole = red < saturated && green < saturated && blue < saturated;
    return isWhole ? 0.299 * table[red] + 0.587 * table[green] + 0.114 * table[blue] : Number.NaN;
  }
}

/** A slope that stands out of its noise by less than this is left out: it would only add that noise. */
const LEAST_SURE = 4;

/** Slope of the sky by least squares, other lights clipped; null where it does not show. */
function slopeOf(x: number[], y: number[], values: number[], level: number, noise: number) {
  let slope = { x: 0, y: 0 };
  let sure = 0;
  for (let round = 0; round < 2; round++) {
    let xx = 0;
    let xy = 0;
    let yy = 0;
    let xv = 0;
    let yv = 0;
    for (let i = 0; i < values.length; i++) {
      const value = values[i] - level;
      if (Math.abs(value - slope.x * x[i] - slope.y * y[i]) > 4 * noise) continue;
      xx += x[i] * x[i];
      xy += x[i] * y[i];
      yy += y[i] * y[i];
      xv += x[i] * value;
      yv += y[i] * value;
    }
    const det = xx * yy - xy * xy;
    if (!(det > 0)) return null;
    slope = { x: (yy * xv - xy * yv) / det, y: (xx * yv - xy * xv) / det };
    sure = Math.sqrt(slope.x * xv + slope.y * yv) / noise;
  }
  return sure > LEAST_SURE ? slope : null;
}

export function median(values: number[]): number {
  const sorted = Float64Array.from(values).sort();
  return sorted[sorted.length >> 1];
}

/** Noise of a pixel of a black sky: 8 bits of sRGB have steps of 3.0e-4 there, and linear light is no finer known. */
export const QUANTISATION = 1.5e-4;

/** Standard deviation about `level`, values beyond 4 σ clipped; a black sky still has quantisation. */
function clippedDeviation(values: number[], level: number, block: number): number {
  let limit = Infinity;
  let sigma = 0;
  for (let round = 0; round < 3; round++) {
    let sum = 0;
    let count = 0;
    for (let i = 0; i < values.length; i++) {
      const deviation = values[i] - level;
      if (Math.abs(deviation) > limit) continue;
      sum += deviation * deviation;
      count++;
    }
    sigma = Math.sqrt(sum / Math.max(1, count));
    limit = 4 * sigma;
  }
  return Math.max(sigma, QUANTISATION / block);
}
