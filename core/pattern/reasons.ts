/** Why a frame holds no pattern that can be measured, told from what its brightest things look like. */
import type { PixelImage } from '../frame.ts';
import type { ReasonCode } from '../measurement.ts';
import type { Candidate } from './candidates.ts';
import type { Level } from './pyramid.ts';
import { polarMap } from './rough.ts';
import { SATURATION } from './samples.ts';

/** Share of saturated pixels from which the picture counts as burnt out. */
const BURNT_SHARE = 0.005;
/** A region of one or two pixels is a hot pixel, not a star. */
const HOT_RADIUS_PX = 0.85;
/** What stands out by fewer σ is noise: no one would call it a star. */
const STAR_LEAST_SIGMA = 8;
/** First-order spots are short spectra; other stars are round. */
const SPOT_ELONGATION = 1.3;
/** A trail is this much longer than wide. */
const TRAIL_ELONGATION = 2.2;
/** σ that a spot must stand above the sky to be seen. */
const SEEN_SIGMA = 4;
/** A star's spots are up to about this much fainter than the star, so that a star so many σ bright may hide them. */
const STAR_SIGMA = 300;
/** A disc, as a star out of focus makes it, is no longer than this; windows and flames are. */
const DISC_ELONGATION = 1.4;
const FEWEST_SPIKES = 3;

/**
 * The reason to give when no pattern was found.
 * @param doubt what spoke against the best fit, when there was one
 */
export function reasonWithout(
  image: PixelImage,
  levels: Level[],
  candidates: Candidate[],
  doubt: ReasonCode | null,
): ReasonCode {
  if (burntShare(image) > BURNT_SHARE) return 'too-bright';
  const lights = candidates.filter(({ radiusPx }) => radiusPx > HOT_RADIUS_PX);
  const star = lights[0];
  if (!star) return 'no-star';
  const { noise } = levels[0];
  if (star.peak < STAR_LEAST_SIGMA * noise) return 'no-star';
  if (brightestOnBorder(levels[1]) > star.peak / 2) return 'at-edge';
  const burnt = isBurnt(image, star);
  const wide = !burnt && isWide(levels, star);
  if (wide && star.elongation < DISC_ELONGATION) return 'too-far';
  if (star.elongation > TRAIL_ELONGATION && !wide) return 'motion-blur';
  const spots = ringOf(
    star,
    lights.filter((light) => light !== star && light.peak > Math.max(SEEN_SIGMA * noise, star.peak / STAR_SIGMA)),
  );
  // Two among a picture's many noise peaks may well lie so: of a pattern cut off more must be seen.
  const cutOff = spots.filter(
    (spot) =>
      spot.peak > STAR_LEAST_SIGMA * noise && spot.elongation > SPOT_ELONGATION && !inside(image, opposite(star, spot)),
  );
  if (cutOff.length >= 2) return 'at-edge';
  if (doubt === 'too-far') return doubt;
  if (spikeCount(levels, star) >= FEWEST_SPIKES) return 'spikes-only';
  if (doubt === 'pair-missing' || pairCount(star, spots) === 2) return 'pair-missing';
  return !burnt && star.peak < STAR_SIGMA * noise ? 'too-dim' : 'no-spots';
}

/** Whether the star's middle is saturated somewhere: its green, as a red or blue star's other colours may not be. */
function isBurnt({ data, channels, widthPx, heightPx, maxValue }: PixelImage, { xPx, yPx }: Place): boolean {
  const green = channels > 1 ? 1 : 0;
  const [column, row] = [Math.round(xPx), Math.round(yPx)];
  for (let y = Math.max(0, row - 1); y <= Math.min(heightPx - 1, row + 1); y++)
    for (let x = Math.max(0, column - 1); x <= Math.min(widthPx - 1, column + 1); x++)
      if (data[(y * widthPx + x) * channels + green] >= SATURATION * maxValue) return true;
  return false;
}

/** Share of pixels with every channel at its largest value. */
function burntShare({ data, channels, maxValue }: PixelImage): number {
  const colours = Math.min(3, channels);
  let burnt = 0;
  for (let i = 0; i < data.length; i += channels) {
    let least = data[i];
    for (let c = 1; c < colours; c++) least = Math.min(least, data[i + c]);
    if (least >= 0.99 * maxValue) burnt++;
  }
  return (burnt * channels) / data.length;
}

/** Brightest light in the outermost pixels; on a coarse level no hot pixel counts. */
function brightestOnBorder({ data, widthPx, heightPx }: Level): number {
  let brightest = 0;
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x += y === 0 || y === heightPx - 1 ? 1 : Math.max(1, widthPx - 1))
      brightest = Math.max(brightest, data[y * widthPx + x]);
  return brightest;
}

/** Whether the light about the star fills cells of 8 × 8 px, as no star in focus does, or 16 × 16 px, as no trail does. */
function isWide(levels: Level[], { xPx, yPx, radiusPx, peak, elongation }: Candidate): boolean {
  const { data, widthPx, heightPx, scale } = levels[elongation > TRAIL_ELONGATION ? 4 : 3];
  const reach = Math.ceil(radiusPx / scale);
  const [column, row] = [xPx, yPx].map((place) => Math.floor((place + 0.5) / scale));
  let brightest = 0;
  for (let y = Math.max(0, row - reach); y <= Math.min(heightPx - 1, row + reach); y++)
    for (let x = Math.max(0, column - reach); x <= Math.min(widthPx - 1, column + reach); x++)
      brightest = Math.max(brightest, data[y * widthPx + x]);
  return radiusPx > 6 && brightest > peak / 2;
}

interface Place {
  xPx: number;
  yPx: number;
}

function opposite(star: Place, spot: Place): Place {
  return { xPx: 2 * star.xPx - spot.xPx, yPx: 2 * star.yPx - spot.yPx };
}

function inside({ widthPx, heightPx }: PixelImage, { xPx, yPx }: Place): boolean {
  return xPx > 0 && yPx > 0 && xPx < widthPx - 1 && yPx < heightPx - 1;
}

/** The lights that stand about as far from the star as the brightest of them does. */
function ringOf(star: Candidate, lights: Candidate[]): Candidate[] {
  const distance = (light: Place) => Math.hypot(light.xPx - star.xPx, light.yPx - star.yPx);
  return lights.filter((light) => Math.abs(distance(light) / distance(lights[0]) - 1) < 0.25);
}

/** Number of spots' pairs that stand opposite each other about the star, equally bright. */
function pairCount(star: Candidate, ring: Candidate[]): number {
  const taken = new Set<Candidate>();
  let pairs = 0;
  for (const spot of ring) {
    if (taken.has(spot)) continue;
    const { xPx, yPx } = opposite(star, spot);
    const partner = ring.find(
      (other) =>
        !taken.has(other) &&
        Math.hypot(other.xPx - xPx, other.yPx - yPx) < 0.2 * Math.hypot(xPx - star.xPx, yPx - star.yPx),
    );
    if (!partner || Math.max(spot.peak / partner.peak, partner.peak / spot.peak) > 2.5) continue;
    taken.add(spot).add(partner);
    pairs++;
  }
  return pairs;
}

/** Number of directions in which light runs outwards from the star without a gap. */
function spikeCount(levels: Level[], star: Candidate): number {
  const fromPx = 2 * star.radiusPx + 4;
  const map = polarMap(levels, star.xPx, star.yPx, 2 * fromPx);
  const columns = map.data.length / map.rows;
  const weakest = new Float32Array(columns).fill(Infinity);
  for (let row = 0; row < map.rows; row++) {
    if (map.radiusPx(row) < fromPx) continue;
    for (let column = 0; column < columns; column++) {
      let around = -Infinity;
      for (let d = -2; d <= 2; d++)
        around = Math.max(around, map.data[row * columns + ((column + d + columns) % columns)]);
      weakest[column] = Math.min(weakest[column], around);
    }
  }
  // A round halo is no spike.
  const halo = Float32Array.from(weakest).sort()[columns >> 1];
  const limit = Math.max(0, 2 * halo) + 3 * levels[0].noise;
  let spikes = 0;
  for (let column = 0; column < columns; column++)
    if (weakest[column] > limit && weakest[(column + columns - 1) % columns] <= limit) spikes++;
  return spikes;
}
