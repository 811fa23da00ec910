/** What of a frame goes to the screen: small pictures, so that neither copying nor drawing costs much. */
import { needAll, type Part, type PixelImage, wholeOf } from '../../core/frame.ts';
import type { Reading } from '../../core/measurement.ts';

/** Square part of the frame around the star, frame pixels. */
export interface Region {
  xPx: number;
  yPx: number;
  reachPx: number;
}

/** Part of a frame, reduced by a whole number. */
export interface View {
  /** RGBA, row-major. */
  data: Uint8ClampedArray<ArrayBuffer>;
  widthPx: number;
  heightPx: number;
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
/** By the sky of the frame of which all was looked at last: a look at each frame's would have all its pixels made. */
let reds: Uint8ClampedArray | null = null;

/** Where the star and its pattern are; null when no star is seen. */
export function regionOf({ star, ...reading }: Reading): Region | null {
  if (!star) return null;
  return { ...star, reachPx: 'spotDistancePx' in reading ? reading.spotDistancePx * REACH : REACH_UNKNOWN_PX };
}

/**
 * From an RGBA frame: the region large (without one the whole frame) and, if wanted, the whole frame small.
 * @param tint in shades of red
 */
export function viewsOf(
  frame: PixelImage,
  region: Region | null,
  tint: boolean,
  showWhole: boolean,
): { closeUp: View; whole: View | null } {
  const all = wholeOf(frame);
  if (showWhole || !reds) reds = redsFor(frame);
  const shades = tint ? reds : null;
  const closeUp = reduced(frame, region ? partOf(frame, region) : all, CLOSE_UP_PX, shades);
  return { closeUp, whole: showWhole ? reduced(frame, all, WHOLE_PX, shades) : null };
}

/** Squares of the frame at full size round places, moved into the frame; as `viewsOf` otherwise. */
export function cropsOf(
  frame: PixelImage,
  places: readonly { xPx: number; yPx: number }[],
  sizePx: number,
  tint: boolean,
): View[] {
  const shades = tint ? redsFor(frame) : null;
  return places.map(({ xPx, yPx }) => reduced(frame, partOf(frame, { xPx, yPx, reachPx: sizePx / 2 }), sizePx, shades));
}

/** The square round the region, moved into the frame. */
function partOf({ widthPx, heightPx }: PixelImage, region: Region): Part {
  const size = Math.min(widthPx, heightPx, Math.ceil(2 * region.reachPx));
  const start = (centre: number, end: number) => Math.min(end - size, Math.max(0, Math.round(centre - (size - 1) / 2)));
  return { xPx: start(region.xPx, widthPx), yPx: start(region.yPx, heightPx), widthPx: size, heightPx: size };
}

/** Of the pixels that become one the brightest counts, so that a star is not lost. */
function reduced(frame: PixelImage, part: Part, longestPx: number, shades: Uint8ClampedArray | null): View {
  frame.need?.(part);
  const { data, widthPx: width } = frame;
  const step = Math.ceil(Math.max(part.widthPx, part.heightPx) / longestPx);
  const look = Math.max(1, Math.floor(step / LOOK_AT));
  const widthPx = Math.floor(part.widthPx / step);
  const heightPx = Math.floor(part.heightPx / step);
  const out = new Uint8ClampedArray(4 * widthPx * heightPx);
  for (let y = 0, to = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x++, to += 4) {
      let r = 0;
      let g = 0;
      let b = 0;
      for (let dy = 0; dy < step; dy += look)
        for (let dx = 0; dx < step; dx += look) {
          const at = 4 * ((part.yPx + y * step + dy) * width + part.xPx + x * step + dx);
          if (data[at] > r) r = data[at];
          if (data[at + 1] > g) g = data[at + 1];
          if (data[at + 2] > b) b = data[at + 2];
        }
      out[to] = shades ? shades[Math.max(r, g, b)] : r;
      out[to + 1] = shades ? 0 : g;
      out[to + 2] = shades ? 0 : b;
      out[to + 3] = 255;
    }
  return { data: out, widthPx, heightPx, xPx: part.xPx, yPx: part.yPx, step };
}

/** Red values for the brightest of a pixel's channels: the sky black, what is above it spread upwards. */
function redsFor(frame: PixelImage): Uint8ClampedArray {
  needAll(frame);
  const { data } = frame;
  const counts = new Uint32Array(256);
  for (let i = 0; i < data.length; i += SAMPLE_STEP) counts[Math.max(data[i], data[i + 1], data[i + 2])]++;
  let [sky, below] = [0, counts[0]];
  while (below < data.length / SAMPLE_STEP / 2) below += counts[++sky];
  return Uint8ClampedArray.from({ length: 256 }, (_, value) => 255 * Math.max(0, (value - sky) / (255 - sky)) ** 0.7);
}
