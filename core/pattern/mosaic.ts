/**
 * The sensor's own pixels in a magnified live view. There a few hundred pixels of the sensor fill the picture: each has
 * one colour, and what lies between those of a colour is interpolated. Interpolation averages, so that noise is largest
 * where a pixel of the sensor itself stands, and tells where that is. A fit to a colour's own pixels alone, each with
 * noise of its own, loses nothing and is misled by nothing that was put in between.
 *
 * The colours repeat after two pixels of the sensor (red, green / green, blue). Noise of red and of blue goes up and down
 * with that period in opposite phase, along x as along y; that of green as the product of both.
 */
import { needAll, type PixelImage } from '../frame.ts';

/** Where a picture shows the sensor's pixels: a red one stands at every second step from one of them, both ways. */
export interface Mosaic {
  /** From one pixel of the sensor to the next, px of the picture, whole or not. */
  stepPx: number;
  /** Place of a red one, less than two steps from the picture's corner. */
  redXPx: number;
  redYPx: number;
}

/** Steps looked for; with smaller ones a JPEG's halved colour mixes what neighbours saw. */
const LEAST_STEP_PX = 3;
const MOST_STEP_PX = 13;
/** How sure the mosaic must be in the noise of red and blue, where it was looked for, and of green, in σ. */
const LEAST_SURE = 3;
/** Every so many of a picture's pixels are looked at; primes that divide no usual width, so that all columns have their turn. */
const EVERY = 7;
const EVERY_AGAIN = 17;

/**
 * Looks for the mosaic in the noise of a picture's sky.
 * @returns null where none is to be seen, as in any picture that is not enlarged
 */
export function findMosaic(image: PixelImage): Mosaic | null {
  const sky = skyOf(image);
  if (!sky || !isEnlarged(sky)) return null;
  const mosaic = likeliestMosaic(sky);
  const { redBlue, green } = surenessOf(mosaic, sky, EVERY);
  return redBlue > LEAST_SURE && green > LEAST_SURE ? mosaic : null;
}

/** Whether a mosaic found before is still where it was: the magnified part of the field may have been moved. */
export function stillShows(mosaic: Mosaic, image: PixelImage): boolean {
  const sky = skyOf(image);
  if (!sky) return false;
  const { redBlue, green } = surenessOf(mosaic, sky, EVERY_AGAIN);
  return redBlue > 0 && green > 0;
}

/** What most of a colour picture shows. */
interface Sky {
  image: PixelImage;
  /** Of red, green and blue: stored value, and its variance. */
  level: number[];
  variance: number[];
}

/** Pixels from which the sky is known. */
const SAMPLE = 3000;
/** Deviations whose square is so many times the variance are of another light than the sky's. */
const CLIP = 9;

function skyOf(image: PixelImage): Sky | null {
  const { data, channels, widthPx, heightPx } = image;
  if (channels === 1) return null;
  needAll(image);
  const every = channels * Math.ceil((widthPx * heightPx) / SAMPLE);
  const level: number[] = [];
  const variance: number[] = [];
  for (let c = 0; c < 3; c++) {
    const values = new Float64Array(Math.ceil(data.length / every));
    for (let i = 0, at = c; i < values.length; i++, at += every) values[i] = data[at];
    values.sort();
    // Whole numbers that differ by little: the mean of the middle half is a finer median.
    const half = values.subarray(values.length >> 2, (3 * values.length) >> 2);
    level.push(half.reduce((sum, value) => sum + value, 0) / half.length);
    variance.push(clippedVariance(values, level[c]));
  }
  return variance.every((value) => value > 0) ? { image, level, variance } : null;
}

function clippedVariance(values: Float64Array, level: number): number {
  let variance = Infinity;
  for (let round = 0; round < 4; round++) {
    let [sum, count] = [0, 0];
    for (const value of values) {
      const square = (value - level) ** 2;
      if (square > CLIP * variance) continue;
      sum += square;
      count++;
    }
    variance = sum / count;
  }
  return variance;
}

/** Squares of the sky's noise by channel, in units of their mean, in some of the pixels. */
function forEachPixel(
  { image, level, variance }: Sky,
  every: number,
  visit: (x: number, y: number, red: number, green: number, blue: number) => void,
): void {
  const { data, channels, widthPx } = image;
  const [redLevel, greenLevel, blueLevel] = level;
  const [redScale, greenScale, blueScale] = variance.map((value) => 1 / value);
  for (let at = 0, x = 0, y = 0; at < data.length; at += every * channels, x += every) {
    for (; x >= widthPx; y++) x -= widthPx;
    const red = (data[at] - redLevel) ** 2 * redScale;
    const green = (data[at + 1] - greenLevel) ** 2 * greenScale;
    const blue = (data[at + 2] - blueLevel) ** 2 * blueScale;
    if (red < CLIP && green < CLIP && blue < CLIP) visit(x, y, red, green, blue);
  }
}

/** How far apart pixels are compared, and how much less neighbours differ then where each comes from the same few. */
const FAR_PX = 8;
const ALIKE = 0.2;

/** Whether the sky shows that a picture's pixels are fewer than it seems: neighbours are alike. */
function isEnlarged({ image, level, variance }: Sky): boolean {
  const { data, channels } = image;
  let [near, far] = [0, 0];
  for (let at = 1; at < data.length - FAR_PX * channels; at += EVERY_AGAIN * channels) {
    if ((data[at] - level[1]) ** 2 > CLIP * variance[1]) continue;
    near += (data[at + channels] - data[at]) ** 2;
    far += (data[at + FAR_PX * channels] - data[at]) ** 2;
  }
  return near < ALIKE * far;
}

/** The mosaic whose period is strongest in what noise of red has more than that of blue. */
function likeliestMosaic(sky: Sky): Mosaic {
  const columns = new Float64Array(sky.image.widthPx);
  const rows = new Float64Array(sky.image.heightPx);
  forEachPixel(sky, EVERY, (x, y, red, _, blue) => {
    columns[x] += red - blue;
    rows[y] += red - blue;
  });
  const powerAt = (frequency: number) => waveIn(columns, frequency).power + waveIn(rows, frequency).power;
  const finest = 1 / (2 * Math.max(columns.length, rows.length));
  const coarse = highest(powerAt, 0.5 / MOST_STEP_PX, 0.5 / LEAST_STEP_PX, finest);
  const frequency = highest(powerAt, coarse - finest, coarse + finest, finest / 16);
  const period = 1 / frequency;
  const place = (line: Float64Array) => waveIn(line, frequency).crest % period;
  return { stepPx: period / 2, redXPx: place(columns), redYPx: place(rows) };
}

/** Where a function is highest between two places, to a step. */
function highest(of: (x: number) => number, from: number, to: number, step: number): number {
  let best = from;
  let most = Number.NEGATIVE_INFINITY;
  for (let x = from; x <= to; x += step) {
    const value = of(x);
    if (value > most) [best, most] = [x, value];
  }
  return best;
}

/** A wave of so many periods to a px in a line of values, its phase taken about the line's middle, where it is best known. */
function waveIn(values: Float64Array, frequency: number): { power: number; crest: number } {
  const middle = (values.length - 1) / 2;
  let [cosine, sine] = [0, 0];
  for (let i = 0; i < values.length; i++) {
    const phase = 2 * Math.PI * frequency * (i - middle);
    cosine += values[i] * Math.cos(phase);
    sine += values[i] * Math.sin(phase);
  }
  return { power: cosine ** 2 + sine ** 2, crest: middle + Math.atan2(sine, cosine) / (2 * Math.PI * frequency) };
}

/** How the noise goes with the mosaic, in σ; pixels between two of the sensor's count as one. */
function surenessOf({ stepPx, redXPx, redYPx }: Mosaic, sky: Sky, every: number): { redBlue: number; green: number } {
  const wave = (length: number, redPx: number) =>
    Float64Array.from({ length }, (_, i) => Math.cos((Math.PI * (i - redPx)) / stepPx));
  const alongX = wave(sky.image.widthPx, redXPx);
  const alongY = wave(sky.image.heightPx, redYPx);
  let [redBlue, redBlueSquare, green, greenSquare] = [0, 0, 0, 0];
  forEachPixel(sky, every, (x, y, redNoise, greenNoise, blueNoise) => {
    const sum = alongX[x] + alongY[y];
    redBlue += sum * (redNoise - blueNoise);
    redBlueSquare += sum * sum;
    const product = alongX[x] * alongY[y];
    green -= product * (greenNoise - 1);
    greenSquare += product * product;
  });
  // A square of Gaussian noise has a variance of 2, and red's less blue's of 4.
  const alike = Math.max(1, stepPx / Math.sqrt(every));
  return {
    redBlue: redBlue / (2 * Math.sqrt(redBlueSquare) * alike),
    green: green / (Math.sqrt(2 * greenSquare) * alike),
  };
}
