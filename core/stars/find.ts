/** All stars of a photograph, in tiles, so that memory does not grow with the picture. */
import type { PixelImage } from '../frame.ts';
import { median } from '../track/fit.ts';
import { detect, type Peak } from './detect.ts';
import { matchedFilter, whiteNoise } from './filter.ts';
import { type Box, brightestChannel, isBurnt, lightOf } from './light.ts';
import { axesOf, growth, type Patch, shapeOf } from './shape.ts';
import { Sky } from './sky.ts';
import { DETECTION_SIGMA, type Star, type StarList } from './star.ts';

const FWHM_PER_SIGMA = 2.354820045;
const TILE_PX = 1024;
/** Widths tried to begin with, FWHM in px; of a picture larger than a tile, on small parts of it. */
const TRIED_PX = [2, 3.3, 5.5, 9, 15, 25];
const TRIAL_PX = 512;
/** Widest star that is measured, FWHM, px. */
const WIDEST_PX = 60;
/** A detection is a hot pixel or a particle's track when it is so much narrower than the sharpest stars … */
const TOO_NARROW = 0.6;
/** … or has so much of its light in one channel. */
const ONE_COLOUR = 0.85;
/** Stars that tell how sharp the sharpest are. */
const TELLING_SNR = 15;

/** A star with what tells it from a hot pixel. */
interface Detection extends Star {
  minorFwhmPx: number;
  colourShare: number;
}

/**
 * Finds and measures the stars of a photograph that was taken without the mask.
 * @param image decoded pixels, any size from about 64 × 64 px
 */
export function findStars(image: PixelImage): StarList {
  const { widthPx, heightPx } = image;
  const sky = new Sky(image);
  const sought = soughtWidth(image, sky);
  const all: Detection[] = [];
  for (const box of tiles(widthPx, heightPx)) all.push(...starsIn(image, sky, partOf(image, sky, box, sought), sought));
  const stars = all.filter(isStarAmong(all));
  stars.sort((a, b) => b.flux - a.flux);
  const middle = sky.at(widthPx / 2, heightPx / 2);
  return {
    widthPx,
    heightPx,
    stars: stars.map(({ minorFwhmPx: _, colourShare: __, ...star }) => star),
    rejected: all.length - stars.length,
    sky: middle.level,
    noise: middle.noise,
    soughtFwhmPx: sought.fwhmPx,
  };
}

/** What the whole picture is searched with. */
interface Sought {
  fwhmPx: number;
  /** Noise after the filter over that of one pixel: more than of white noise where pixels share their noise. */
  filteredNoise: number;
}

function* tiles(widthPx: number, heightPx: number): Generator<Box> {
  for (let y0 = 0; y0 < heightPx; y0 += TILE_PX)
    for (let x0 = 0; x0 < widthPx; x0 += TILE_PX)
      yield { x0, y0, widthPx: Math.min(TILE_PX, widthPx - x0), heightPx: Math.min(TILE_PX, heightPx - y0) };
}

/** Middle of the picture and of its quarters, or all of it when it is small. */
function trialBoxes({ widthPx, heightPx }: PixelImage): Box[] {
  if (widthPx * heightPx <= TILE_PX ** 2) return [{ x0: 0, y0: 0, widthPx, heightPx }];
  const size = { widthPx: Math.min(TRIAL_PX, widthPx), heightPx: Math.min(TRIAL_PX, heightPx) };
  return [
    [0.5, 0.5],
    [0.2, 0.2],
    [0.8, 0.2],
    [0.2, 0.8],
    [0.8, 0.8],
  ].map(([u, v]) => ({
    x0: Math.round(u * (widthPx - size.widthPx)),
    y0: Math.round(v * (heightPx - size.heightPx)),
    ...size,
  }));
}

/**
 * The width that fits most stars: of those found with each of the widths tried, the ones count that turn out about as
 * wide as the filter. A narrow filter breaks discs up and a wide one swallows neighbours; neither agrees with itself.
 */
function soughtWidth(image: PixelImage, sky: Sky): Sought {
  const parts = trialBoxes(image).map((box) => ({ box, around: box, data: aboveSky(image, sky, box) }));
  let best = { fwhmPx: TRIED_PX[1], count: 0 };
  for (const fwhmPx of TRIED_PX) {
    const sought = { fwhmPx, filteredNoise: noiseAfter(parts, fwhmPx) };
    const widths = parts
      .flatMap((part) => starsIn(image, sky, part, sought))
      .filter((star) => star.colourShare < ONE_COLOUR && star.minorFwhmPx > 0.9)
      .map((star) => star.fwhmPx)
      .filter((width) => width > fwhmPx / 1.5 && width < fwhmPx * 1.5);
    if (widths.length > best.count) best = { fwhmPx: Math.max(1.5, median(widths)), count: widths.length };
  }
  const { fwhmPx } = best;
  return { fwhmPx, filteredNoise: noiseAfter(parts, fwhmPx) };
}

/** Part of the picture whose stars are wanted, with a margin around it that is looked at, too. */
interface Part {
  box: Box;
  around: Box;
  /** Of `around`, above the sky, in units of the sky's noise. */
  data: Float32Array;
}

function partOf(image: PixelImage, sky: Sky, box: Box, { fwhmPx }: Sought): Part {
  const around = grown(box, Math.ceil(Math.min(128, 16 + 5 * fwhmPx)), image);
  return { box, around, data: aboveSky(image, sky, around) };
}

function noiseAfter(parts: Part[], fwhmPx: number): number {
  return median(
    parts.map(({ data, around }) => {
      const filtered = matchedFilter(data, around.widthPx, fwhmPx);
      const step = Math.max(1, Math.floor(filtered.length / 20_000)) | 1;
      const sample = Float32Array.from({ length: Math.ceil(filtered.length / step) }, (_, i) => filtered[i * step]);
      sample.sort();
      // The lower half, which stars do not reach.
      return Math.max(1e-9, sample[sample.length >> 1] - sample[Math.floor(0.1587 * sample.length)]);
    }),
  );
}

/** Stars whose peak lies in the part's box. */
function starsIn(image: PixelImage, sky: Sky, part: Part, sought: Sought): Detection[] {
  const { box, around, data } = part;
  const filtered = matchedFilter(data, around.widthPx, sought.fwhmPx);
  const unit = 1 / sought.filteredNoise;
  for (let i = 0; i < filtered.length; i++) filtered[i] *= unit;
  const labels = new Int32Array(data.length);
  const peaks = detect(filtered, around.widthPx, DETECTION_SIGMA, labels);
  const patch: Patch = { widthPx: around.widthPx, heightPx: around.heightPx, data, labels };
  const correlation = sought.filteredNoise / whiteNoise(sought.fwhmPx);
  return peaks.flatMap((peak) => {
    const [xPx, yPx] = [peak.xPx + around.x0, peak.yPx + around.y0];
    if (xPx < box.x0 || yPx < box.y0 || xPx >= box.x0 + box.widthPx || yPx >= box.y0 + box.heightPx) return [];
    const star = measured(image, sky, patch, peak, around, sought.fwhmPx);
    const snr = (star?.snr ?? 0) / correlation;
    return star && snr >= DETECTION_SIGMA ? [{ ...star, snr }] : [];
  });
}

function measured(
  image: PixelImage,
  sky: Sky,
  patch: Patch,
  peak: Peak,
  { x0, y0 }: Box,
  soughtPx: number,
): Detection | null {
  const shape = shapeOf(patch, peak.label, peak.xPx, peak.yPx, soughtPx / FWHM_PER_SIGMA, WIDEST_PX / FWHM_PER_SIGMA);
  if (!shape) return null;
  const { majorPx, minorPx, angleDeg } = axesOf(shape);
  const reachPx = 1.5 + 1.5 * FWHM_PER_SIGMA * Math.hypot(majorPx, 0.29);
  const { light, halfPx, mostPx } = growth(patch, peak.label, shape, reachPx);
  if (!(light > 0 && halfPx > 0)) return null;
  const [xPx, yPx] = [shape.xPx + x0, shape.yPx + y0];
  if (!(xPx > -0.5 && yPx > -0.5 && xPx < image.widthPx - 0.5 && yPx < image.heightPx - 0.5)) return null;
  return {
    xPx,
    yPx,
    flux: light * sky.at(xPx, yPx).noise,
    snr: shape.snr,
    hfrPx: halfPx,
    spread: mostPx / halfPx,
    fwhmPx: FWHM_PER_SIGMA * Math.sqrt(majorPx * minorPx),
    elongation: majorPx / minorPx,
    angleDeg,
    saturated: burntWithin(image, xPx, yPx, halfPx),
    minorFwhmPx: FWHM_PER_SIGMA * minorPx,
    colourShare: brightestChannel(image, Math.round(xPx), Math.round(yPx), Math.ceil(reachPx) + 1),
  };
}

/** Stars are as wide as the sharpest ones at least, and shine in more than one colour. */
function isStarAmong(all: readonly Detection[]): (star: Detection) => boolean {
  const telling = all
    .filter((star) => star.snr > TELLING_SNR && !star.saturated && star.colourShare < ONE_COLOUR)
    .map((star) => star.minorFwhmPx)
    .filter((width) => width > 0.9)
    .sort((a, b) => a - b);
  const sharpest = telling[Math.floor(0.1 * telling.length)] ?? 1.3;
  const least = Math.min(1.6, TOO_NARROW * sharpest);
  return (star) => star.saturated || (star.minorFwhmPx > least && star.colourShare < ONE_COLOUR);
}

function grown({ x0, y0, widthPx, heightPx }: Box, marginPx: number, image: PixelImage): Box {
  const [left, top] = [Math.max(0, x0 - marginPx), Math.max(0, y0 - marginPx)];
  return {
    x0: left,
    y0: top,
    widthPx: Math.min(image.widthPx, x0 + widthPx + marginPx) - left,
    heightPx: Math.min(image.heightPx, y0 + heightPx + marginPx) - top,
  };
}

/** Light above the sky, in units of the sky's noise. */
function aboveSky(image: PixelImage, sky: Sky, box: Box): Float32Array {
  const { x0, y0, widthPx, heightPx } = box;
  const data = new Float32Array(widthPx * heightPx);
  lightOf(image, box, data);
  const [level, noise] = [new Float32Array(widthPx), new Float32Array(widthPx)];
  for (let y = 0, at = 0; y < heightPx; y++) {
    sky.row(x0, y0 + y, level, noise);
    for (let x = 0; x < widthPx; x++, at++) data[at] = (data[at] - level[x]) / noise[x];
  }
  return data;
}

function burntWithin(image: PixelImage, xPx: number, yPx: number, radiusPx: number): boolean {
  const reach = Math.max(1, radiusPx);
  const [x0, x1] = [Math.max(0, Math.ceil(xPx - reach)), Math.min(image.widthPx - 1, Math.floor(xPx + reach))];
  const [y0, y1] = [Math.max(0, Math.ceil(yPx - reach)), Math.min(image.heightPx - 1, Math.floor(yPx + reach))];
  for (let y = y0; y <= y1; y++)
    for (let x = x0; x <= x1; x++) if (Math.hypot(x - xPx, y - yPx) <= reach && isBurnt(image, x, y)) return true;
  return false;
}
