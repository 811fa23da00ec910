/** What of a frame goes to the screen: small pictures, so that neither copying nor drawing costs much. */
import type { Reading } from '../../core/measurement.ts';

/** Square part of the frame around the star, frame pixels. */
export interface Region {
  xPx: number;
  yPx: number;
  reachPx: number;
}

/** Part of a frame, reduced by a whole number. */
export interface View {
  pixels: ImageData;
  /** Left upper pixel of the part, frame pixels. */
  xPx: number;
  yPx: number;
  /** Frame pixels to one of the view's, each way. */
  step: number;
}

/** Half width of the close-up, in spot distances. */
const REACH = 1.75;
/** The same without a measurement, frame pixels. */
const REACH_UNKNOWN_PX = 80;
/** Longest side of the close-up and of the whole frame beside it, px. */
const CLOSE_UP_PX = 480;
const WHOLE_PX = 340;
/** Of the pixels that become one, so many in each direction are looked at. */
const LOOK_AT = 2;
/** A sample of the pixels tells how bright the sky is: bytes from one to the next. */
const SAMPLE_STEP = 4 * 101;

/** Where the star and its pattern are; null when no star is seen. */
export function regionOf({ star, ...reading }: Reading): Region | null {
  if (!star) return null;
  return { ...star, reachPx: 'spotDistancePx' in reading ? reading.spotDistancePx * REACH : REACH_UNKNOWN_PX };
}

/** The region, or the whole frame without one. `tint`: in shades of red. */
export function closeUpOf(frame: ImageData, region: Region | null, tint: boolean): View {
  if (!region) return reduced(frame, 0, 0, frame.width, frame.height, CLOSE_UP_PX, tint);
  const size = Math.min(frame.width, frame.height, Math.ceil(2 * region.reachPx));
  const start = (centre: number, end: number) => Math.min(end - size, Math.max(0, Math.round(centre - (size - 1) / 2)));
  return reduced(frame, start(region.xPx, frame.width), start(region.yPx, frame.height), size, size, CLOSE_UP_PX, tint);
}

/** The whole frame, small. */
export function wholeOf(frame: ImageData, tint: boolean): View {
  return reduced(frame, 0, 0, frame.width, frame.height, WHOLE_PX, tint);
}

/** Of the pixels that become one the brightest counts, so that a star is not lost. */
function reduced(
  { data, width }: ImageData,
  xPx: number,
  yPx: number,
  widthPx: number,
  heightPx: number,
  longestPx: number,
  tint: boolean,
): View {
  const step = Math.ceil(Math.max(widthPx, heightPx) / longestPx);
  const look = Math.max(1, Math.floor(step / LOOK_AT));
  const pixels = new ImageData(Math.floor(widthPx / step), Math.floor(heightPx / step));
  const reds = tint ? redsFor(data) : null;
  for (let y = 0, to = 0; y < pixels.height; y++)
    for (let x = 0; x < pixels.width; x++, to += 4) {
      let [r, g, b] = [0, 0, 0];
      for (let dy = 0; dy < step; dy += look)
        for (let dx = 0; dx < step; dx += look) {
          const at = 4 * ((yPx + y * step + dy) * width + xPx + x * step + dx);
          if (data[at] > r) r = data[at];
          if (data[at + 1] > g) g = data[at + 1];
          if (data[at + 2] > b) b = data[at + 2];
        }
      if (reds) pixels.data[to] = reds[Math.max(r, g, b)];
      else {
        pixels.data[to] = r;
        pixels.data[to + 1] = g;
        pixels.data[to + 2] = b;
      }
      pixels.data[to + 3] = 255;
    }
  return { pixels, xPx, yPx, step };
}

/** Red values for the brightest of a pixel's channels: the sky black, what is above it spread upwards. */
function redsFor(data: Uint8ClampedArray): Uint8ClampedArray {
  const counts = new Uint32Array(256);
  for (let i = 0; i < data.length; i += SAMPLE_STEP) counts[Math.max(data[i], data[i + 1], data[i + 2])]++;
  let [sky, below] = [0, counts[0]];
  while (below < data.length / SAMPLE_STEP / 2) below += counts[++sky];
  return Uint8ClampedArray.from({ length: 256 }, (_, value) => 255 * Math.max(0, (value - sky) / (255 - sky)) ** 0.7);
}
