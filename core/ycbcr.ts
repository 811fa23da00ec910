/**
 * Colours from the planes that a JPEG file stores, to the bit as libjpeg-turbo makes them, so that page and command
 * line measure the same pixels. Y'CbCr to R'G'B' by ITU-T T.871 (JFIF) § 7 in 16-bit fixed point; colour stored at
 * half the width and height is interpolated between the centres of its samples with weights of 3/4 and 1/4
 * (libjpeg-turbo does so for pictures wider than 4 px).
 */
import { type Part, wholeOf } from './frame.ts';

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

/**
 * Writes the picture, or a part of it, to `rgba`, 4 × widthPx × heightPx bytes, alpha 255. Each loop over a row has a
 * function of its own, which takes half the time of one for all.
 * @param part whole pixels inside the picture
 */
export function writeRgba(planes: Planes, rgba: Uint8ClampedArray, part: Part = wholeOf(planes)): void {
  const { widthPx, heightPx, luma } = planes;
  const [left, right] = [part.xPx, part.xPx + part.widthPx];
  // One store for a pixel takes half the time of four; every machine that Chromium and Node run on is little-endian.
  const pixels = new Uint32Array(rgba.buffer, rgba.byteOffset, widthPx * heightPx);
  const blues = new Int32Array(widthPx + 1);
  const reds = new Int32Array(widthPx + 1);
  for (let y = part.yPx; y < part.yPx + part.heightPx; y++) {
    spread(planes, planes.blue, y, left, right, blues);
    spread(planes, planes.red, y, left, right, reds);
    colourRow(luma.data, y * luma.stride, blues, reds, left, right, pixels, y * widthPx);
  }
}

function colourRow(
  luma: Uint8Array,
  from: number,
  blues: Int32Array,
  reds: Int32Array,
  left: number,
  right: number,
  pixels: Uint32Array,
  to: number,
): void {
  for (let x = left; x < right; x++) {
    const at = luma[from + x] + BEYOND;
    const blue = blues[x];
    const red = reds[x];
    const r = CLAMPED[at + RED_OF_RED[red]];
    const g = CLAMPED[at + ((GREEN_OF_BLUE[blue] + GREEN_OF_RED[red]) >> 16)];
    const b = CLAMPED[at + BLUE_OF_BLUE[blue]];
    pixels[to + x] = r | (g << 8) | (b << 16) | 0xff000000;
  }
}

/** A row's two nearest rows of colour, 3/4 and 1/4, not yet divided by 4. */
let mixed = new Int32Array(0);

/** One row of colour at the picture's width, from pixel `left` to before `right`, and maybe one more to either side. */
function spread(
  { widthPx, heightPx, steps }: Planes,
  { data, stride }: Plane,
  y: number,
  left: number,
  right: number,
  row: Int32Array,
): void {
  const [across, down] = steps;
  const near = Math.floor(y / down) * stride;
  if (across === 1) {
    for (let x = left; x < right; x++) row[x] = data[near + x];
    return;
  }
  const end = Math.ceil(widthPx / 2) - 1;
  const first = Math.max(0, (left >> 1) - 1);
  const last = Math.min(end, (right >> 1) + 1);
  if (mixed.length <= end) mixed = new Int32Array(end + 1);
  if (down === 1) for (let i = first; i <= last; i++) mixed[i] = data[near + i];
  else {
    const lowest = (Math.ceil(heightPx / 2) - 1) * stride;
    mixRow(data, near, y % 2 === 0 ? Math.max(0, near - stride) : Math.min(lowest, near + stride), first, last, mixed);
  }
  spreadRow(mixed, first, last, end, down, row);
}

function mixRow(data: Uint8Array, near: number, far: number, first: number, last: number, out: Int32Array): void {
  for (let i = first; i <= last; i++) out[i] = 3 * data[near + i] + data[far + i];
}

function spreadRow(mixed: Int32Array, first: number, last: number, end: number, down: number, row: Int32Array): void {
  // Even and odd pixels are rounded differently, so that no error of rounding builds up.
  const [shift, even, odd] = down === 1 ? [2, 1, 2] : [4, 8, 7];
  row[0] = (4 * mixed[0] + even) >> shift;
  for (let i = first; i < last; i++) {
    const here = mixed[i];
    const next = mixed[i + 1];
    row[2 * i + 1] = (3 * here + next + odd) >> shift;
    row[2 * i + 2] = (here + 3 * next + even) >> shift;
  }
  row[2 * end + 1] = (4 * mixed[end] + odd) >> shift;
}

/**
 * Makes pixels of `rgba` as they are needed: of a live view most are never looked at. What is made is one rectangle
 * that grows by strips.
 */
export function rgbaAsNeeded(planes: Planes, rgba: Uint8ClampedArray): (part: Part) => void {
  let made: Edges | null = null;
  const make = (left: number, top: number, right: number, bottom: number) => {
    if (left < right && top < bottom)
      writeRgba(planes, rgba, { xPx: left, yPx: top, widthPx: right - left, heightPx: bottom - top });
  };
  return ({ xPx, yPx, widthPx, heightPx }) => {
    const [x, y] = [Math.max(0, Math.floor(xPx)), Math.max(0, Math.floor(yPx))];
    const before: Edges = made ?? { left: x, top: y, right: x, bottom: y };
    const left = Math.min(before.left, x);
    const top = Math.min(before.top, y);
    const right = Math.max(before.right, Math.min(planes.widthPx, Math.ceil(xPx + widthPx)));
    const bottom = Math.max(before.bottom, Math.min(planes.heightPx, Math.ceil(yPx + heightPx)));
    if (left >= right || top >= bottom) return;
    make(left, top, right, before.top);
    make(left, before.bottom, right, bottom);
    make(left, before.top, before.left, before.bottom);
    make(before.right, before.top, right, before.bottom);
    made = { left, top, right, bottom };
  };
}

interface Edges {
  left: number;
  top: number;
  right: number;
  bottom: number;
}
