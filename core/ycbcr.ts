/**
 * Colours from the planes that a JPEG file stores, to the bit as libjpeg-turbo makes them, so that page and command
 * line measure the same pixels. Y'CbCr to R'G'B' by ITU-T T.871 (JFIF) § 7 in 16-bit fixed point; colour stored at
 * half the width and height is interpolated between the centres of its samples with weights of 3/4 and 1/4
 * (libjpeg-turbo does so for pictures wider than 4 px).
 */

/** One plane of samples, row-major, `stride` from one row to the next. */
export interface Plane {
  data: Uint8Array;
  stride: number;
}

/** A picture as luma and two planes of colour, full range. */
export interface Planes {
  widthPx: number;
  heightPx: number;
  luma: Plane;
  blue: Plane;
  red: Plane;
  /** Pixels to a sample of colour, across and down. */
  steps: readonly [1, 1] | readonly [2, 1] | readonly [2, 2];
}

const fixed = (value: number) => Math.round(value * 65536);
const HALF = 32768;
const forEach256 = (of: (difference: number) => number) =>
  Int32Array.from({ length: 256 }, (_, value) => of(value - 128));
const RED_OF_RED = forEach256((difference) => (fixed(1.402) * difference + HALF) >> 16);
const GREEN_OF_RED = forEach256((difference) => -fixed(0.71414) * difference);
const GREEN_OF_BLUE = forEach256((difference) => -fixed(0.34414) * difference + HALF);
const BLUE_OF_BLUE = forEach256((difference) => (fixed(1.772) * difference + HALF) >> 16);
/** Sums of luma and colour reach beyond 0–255 by less than this. */
const BEYOND = 256;
const CLAMPED = new Uint8Array(Uint8ClampedArray.from({ length: 3 * 256 }, (_, value) => value - BEYOND));

/** Writes the picture to `rgba`, 4 × widthPx × heightPx bytes, alpha 255. */
export function writeRgba(planes: Planes, rgba: Uint8ClampedArray): void {
  const { widthPx, heightPx, luma } = planes;
  // One store for a pixel takes half the time of four; every machine that Chromium and Node run on is little-endian.
  const pixels = new Uint32Array(rgba.buffer, rgba.byteOffset, widthPx * heightPx);
  const blues = new Int32Array(widthPx + 1);
  const reds = new Int32Array(widthPx + 1);
  for (let y = 0, to = 0; y < heightPx; y++) {
    spread(planes, planes.blue, y, blues);
    spread(planes, planes.red, y, reds);
    const from = y * luma.stride;
    for (let x = 0; x < widthPx; x++, to++) {
      const at = luma.data[from + x] + BEYOND;
      const blue = blues[x];
      const red = reds[x];
      const r = CLAMPED[at + RED_OF_RED[red]];
      const g = CLAMPED[at + ((GREEN_OF_BLUE[blue] + GREEN_OF_RED[red]) >> 16)];
      const b = CLAMPED[at + BLUE_OF_BLUE[blue]];
      pixels[to] = r | (g << 8) | (b << 16) | 0xff000000;
    }
  }
}

/** A row's two nearest rows of colour, 3/4 and 1/4, not yet divided by 4. */
let mixed = new Int32Array(0);

/** One row of colour at the picture's width, 128 being none; `row` holds an odd width's next pixel too. */
function spread({ widthPx, heightPx, steps }: Planes, { data, stride }: Plane, y: number, row: Int32Array): void {
  const [across, down] = steps;
  const near = Math.floor(y / down) * stride;
  if (across === 1) {
    for (let x = 0; x < widthPx; x++) row[x] = data[near + x];
    return;
  }
  const end = Math.ceil(widthPx / 2) - 1;
  if (mixed.length <= end) mixed = new Int32Array(end + 1);
  if (down === 1) for (let i = 0; i <= end; i++) mixed[i] = data[near + i];
  else {
    const last = (Math.ceil(heightPx / 2) - 1) * stride;
    const far = y % 2 === 0 ? Math.max(0, near - stride) : Math.min(last, near + stride);
    for (let i = 0; i <= end; i++) mixed[i] = 3 * data[near + i] + data[far + i];
  }
  // Even and odd pixels are rounded differently, so that no error of rounding builds up.
  const [shift, even, odd] = down === 1 ? [2, 1, 2] : [4, 8, 7];
  row[0] = (4 * mixed[0] + even) >> shift;
  for (let i = 0; i < end; i++) {
    const here = mixed[i];
    const next = mixed[i + 1];
    row[2 * i + 1] = (3 * here + next + odd) >> shift;
    row[2 * i + 2] = (here + 3 * next + even) >> shift;
  }
  row[2 * end + 1] = (4 * mixed[end] + odd) >> shift;
}
