/** Why a frame holds no pattern that can be measured, told from what its brightest things look like. */
import type { PixelImage } from '../frame.ts';
import type { ReasonCode } from '../measurement.ts';
import { type Candidate, isBurnt, type Place } from './candidates.ts';
import { isDispersed } from './dispersed.ts';
import type { Level } from './pyramid.ts';
import { polarMap } from './rough.ts';

/** Share of saturated pixels from which the picture counts as burnt out. */
const BURNT_SHARE = 0.005;
/** A region of one or two pixels is a hot pixel, not a star. */
const HOT_RADIUS_PX = 0.85;
/** A star is among so many of the brightest lights: after as many hot pixels the next speck is none either. */
const FIRST = 6;
/** What stands out by fewer σ is noise: no one would call it a star. */
const STAR_LEAST_SIGMA = 8;
/**
 * Noise, a wall of lamps and a grid have many peaks nearly as bright as their brightest, and as large. Stars have not:
 * as many are brighter than a flux F as go with F^−1.5, so that the eighth of them is a quarter as bright as the first.
 */
const ALIKE = 8;
const ALIKE_SHARE = 0.65;
const ALIKE_RATIO = 1.3;
/** Below this size all is alike: noise goes from pixel to pixel. */
const SPECK_RADIUS_PX = 1.5;
/** First-order spots are short spectra that point at the star, to so many degrees; other stars are round. */
const SPOT_ELONGATION = 1.3;
const SPOT_TURN_DEG = 30;
/** A trail is this much longer than wide. */
const TRAIL_ELONGATION = 2.2;
/** Lights no more than so many of their own lengths apart stand in rows, as windows and letters do; trails of stars seldom lie so close. */
const ROW_LENGTHS = 1;
const FEWEST_IN_ROW = 2;
/** σ that a spot must stand above the sky to be seen. */
const SEEN_SIGMA = 4;
/** A star's spots are up to about this much fainter than the star, so that a star so many σ bright may hide them. */
const STAR_SIGMA = 300;
/** Further out no spots are looked for. */
const FARTHEST_PX = 420;
/** A disc, as a star out of focus makes it, is no longer than this; windows and flames are. */
const DISC_ELONGATION = 1.4;
/** Spots that break up belong to a star as broad: one whose radius is a smaller share of their distance is sharp. */
const SHARP_SHARE = 0.08;
/** A light so much smaller than a disc is not blurred as it would be. */
const SHARPER = 0.6;
/** The star's own middle within a larger light is about as bright as all of that. */
const CORE_SHARE = 0.9;
/** A star in a corner is cut on two sides; what runs out of the picture on more is no star. */
const MOST_SIDES = 2;
/** An aperture's edges make spikes in opposite pairs; two make a trail as well. */
const FEWEST_SPIKES = 3;
/** A spike is seen from a star's edge to so many times that distance. */
const SPIKE_REACH = 2;

/**
 * The reason to give when no pattern was found.
 * @param lights what is bright in the picture, brightest first
 * @param doubt what spoke against the best fit, when there was one
 */
export function reasonWithout(
  image: PixelImage,
  levels: Level[],
  lights: Candidate[],
  doubt: ReasonCode | null,
): ReasonCode {
  if (burntShare(image) > BURNT_SHARE) return 'too-bright';
  const { noise } = levels[0];
  const seen = lights.filter((light) => light.radiusPx > HOT_RADIUS_PX && !isOneOfMany(image, light, lights));
  if (!seen[0] || lights.indexOf(seen[0]) >= FIRST || seen[0].peak < STAR_LEAST_SIGMA * noise) return 'no-star';
  const sides = sidesLit(levels[1], seen[0].peak / 2);
  if (sides > MOST_SIDES) return 'no-star';
  const isDisc = (light: Candidate) => !isBurnt(image, light) && isWide(levels, light);
  // All stars are equally sharp: where one is, a disc is a lamp, the Moon or a planet.
  const star = isDisc(seen[0]) ? (seen.find((light) => isSharpBeside(light, seen[0])) ?? seen[0]) : seen[0];
  if (isCutByEdge(levels[1], star)) return 'at-edge';
  // Of spots that break up a burnt fringe may be brighter than the star's disc.
  const disc = seen.find((light) => light.peak > CORE_SHARE * seen[0].peak && isDisc(light));
  if (disc && isDispersed(image, disc)) return 'too-far';
  // A cross's region takes in its arms, and its middle may lie beside the star's own.
  const core =
    seen.find(
      (light) =>
        light.peak > CORE_SHARE * star.peak &&
        light.radiusPx < SHARPER * star.radiusPx &&
        distanceOf(light, star) < star.lengthPx / 2,
    ) ?? star;
  const burnt = isBurnt(image, core);
  const round = star.elongation < DISC_ELONGATION;
  const wide = !burnt && isWide(levels, star);
  if (round && (wide || star.hollow)) return isInRow(star, seen) ? 'no-star' : 'too-far';
  // Their fit saw spectra, so that the mask is on.
  if (doubt === 'pair-missing' && !wide && star.elongation < TRAIL_ELONGATION) return doubt;
  if (!isDisc(core) && spikeCount(levels, core) >= FEWEST_SPIKES) return 'spikes-only';
  if (!wide && star.elongation > TRAIL_ELONGATION) return isInRow(star, seen) ? 'no-star' : 'motion-blur';
  const spots = ringOf(
    star,
    seen.filter(
      (light) =>
        light !== star &&
        light.peak > Math.max(SEEN_SIGMA * noise, star.peak / STAR_SIGMA) &&
        distanceOf(star, light) < FARTHEST_PX,
    ),
  );
  // Two among a picture's many noise peaks may well lie so: of a pattern cut off more must be seen.
  const cutOff = spots.filter(
    (spot) =>
      spot.peak > STAR_LEAST_SIGMA * noise &&
      spot.elongation > SPOT_ELONGATION &&
      pointsAt(star, spot) &&
      !inside(image, opposite(star, spot)),
  );
  if (cutOff.length >= 2) return 'at-edge';
  if (doubt === 'too-far' && !(spots.length > 0 && star.radiusPx < SHARP_SHARE * distanceOf(star, spots[0])))
    return doubt;
  if (doubt === 'pair-missing' || pairCount(star, spots) === 2) return 'pair-missing';
  if (wide) return 'no-star';
  return !burnt && star.peak < STAR_SIGMA * noise ? 'too-dim' : 'no-spots';
}

/** Whether many others are nearly as bright as a light and as large; of burnt ones nobody knows how bright they are. */
function isOneOfMany(image: PixelImage, one: Candidate, lights: Candidate[]): boolean {
  const size = ({ radiusPx }: Candidate) => Math.max(SPECK_RADIUS_PX, radiusPx);
  const alike = lights.filter(
    (other) =>
      other !== one &&
      other.peak > ALIKE_SHARE * one.peak &&
      Math.abs(Math.log(size(other) / size(one))) < Math.log(ALIKE_RATIO),
  );
  return alike.length >= ALIKE && !isBurnt(image, one);
}

/** Whether a light is round, far smaller than a disc, and not much dimmer. */
function isSharpBeside({ elongation, radiusPx, peak }: Candidate, disc: Candidate): boolean {
  return elongation < DISC_ELONGATION && radiusPx < SHARPER * disc.radiusPx && peak > disc.peak / 2;
}

/** Whether two lights or more of about its size stand beside a light, within its own length: then it is one of a row. */
function isInRow(one: Candidate, lights: Candidate[]): boolean {
  const beside = (other: Candidate) => {
    const turn = Math.atan2(other.yPx - one.yPx, other.xPx - one.xPx) - one.axisRad;
    // A trail's own parts, and the spots of a star that trails, lie along it rather; a ring's lie on it.
    const lengths = distanceOf(one, other) / one.lengthPx;
    return lengths < ROW_LENGTHS && Math.abs(Math.sin(turn)) > 0.5 && !(one.hollow && lengths < 0.5);
  };
  const alike = lights.filter(
    (other) =>
      beside(other) && other.peak > 0.3 * one.peak && Math.abs(Math.log(other.lengthPx / one.lengthPx)) < Math.log(2),
  );
  return alike.length >= FEWEST_IN_ROW;
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

/** Calls `see` with the place of each of the outermost pixels brighter than `least`; on a coarse level no hot pixel counts. */
function alongBorder(
  { data, widthPx, heightPx, scale }: Level,
  least: number,
  see: (place: Place, value: number) => void,
) {
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x += y === 0 || y === heightPx - 1 ? 1 : Math.max(1, widthPx - 1)) {
      const value = data[y * widthPx + x];
      if (value > least) see({ xPx: (x + 0.5) * scale - 0.5, yPx: (y + 0.5) * scale - 0.5 }, value);
    }
}

/** Number of the picture's sides at which light brighter than `least` runs out of it. */
function sidesLit(level: Level, least: number): number {
  const [right, bottom] = [(level.widthPx - 1) * level.scale, (level.heightPx - 1) * level.scale];
  const sides = new Set<string>();
  alongBorder(level, least, ({ xPx, yPx }) => {
    if (xPx < level.scale) sides.add('left');
    if (xPx > right) sides.add('right');
    if (yPx < level.scale) sides.add('top');
    if (yPx > bottom) sides.add('bottom');
  });
  return sides.size;
}

/** Whether the border cuts the star: there is half of its light beside it, or somewhere light that outshines all within. */
function isCutByEdge(level: Level, star: Candidate): boolean {
  const reachPx = 3 * star.radiusPx + 4;
  let isCut = false;
  alongBorder(level, star.peak / 2, (place, value) => {
    if (value > star.peak || distanceOf(star, place) < reachPx) isCut = true;
  });
  return isCut;
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

function opposite(star: Place, spot: Place): Place {
  return { xPx: 2 * star.xPx - spot.xPx, yPx: 2 * star.yPx - spot.yPx };
}

function inside({ widthPx, heightPx }: PixelImage, { xPx, yPx }: Place): boolean {
  return xPx > 0 && yPx > 0 && xPx < widthPx - 1 && yPx < heightPx - 1;
}

function distanceOf(a: Place, b: Place): number {
  return Math.hypot(a.xPx - b.xPx, a.yPx - b.yPx);
}

/** Whether a spot's long axis points at the star. */
function pointsAt(star: Place, { xPx, yPx, axisRad }: Candidate): boolean {
  const across = Math.sin(Math.atan2(yPx - star.yPx, xPx - star.xPx) - axisRad);
  return Math.abs(across) < Math.sin((SPOT_TURN_DEG * Math.PI) / 180);
}

/** The lights that stand about as far from the star as the brightest of them does. */
function ringOf(star: Candidate, lights: Candidate[]): Candidate[] {
  return lights.filter((light) => Math.abs(distanceOf(star, light) / distanceOf(star, lights[0]) - 1) < 0.25);
}

/** Number of spots' pairs that stand opposite each other about the star, equally bright. */
function pairCount(star: Candidate, ring: Candidate[]): number {
  const taken = new Set<Candidate>();
  let pairs = 0;
  for (const spot of ring) {
    if (taken.has(spot)) continue;
    const place = opposite(star, spot);
    const partner = ring.find((other) => !taken.has(other) && distanceOf(other, place) < 0.2 * distanceOf(star, place));
    if (!partner || Math.max(spot.peak / partner.peak, partner.peak / spot.peak) > 2.5) continue;
    taken.add(spot).add(partner);
    pairs++;
  }
  return pairs;
}

/** Number of directions in which light runs outwards from the star without a gap, and the opposite way as well. */
function spikeCount(levels: Level[], star: Candidate): number {
  const fromPx = 2 * star.radiusPx + 4;
  const map = polarMap(levels, star.xPx, star.yPx, SPIKE_REACH * fromPx);
  const columns = map.data.length / map.rows;
  // What stands above a round halo in every row; NaN outside the frame.
  const least = new Float32Array(columns).fill(Infinity);
  for (let row = 0; row < map.rows; row++) {
    if (map.radiusPx(row) < fromPx) continue;
    const light = map.data.subarray(row * columns, (row + 1) * columns);
    const halo = Float32Array.from(light).sort()[columns >> 1];
    const limit = Math.max(0, 1.5 * halo) + 3 * levels[0].noise;
    for (let column = 0; column < columns; column++) {
      let around = -Infinity;
      for (let d = -2; d <= 2; d++) around = Math.max(around, light[(column + d + columns) % columns]);
      least[column] = Math.min(least[column], around - limit);
    }
  }
  const near = (column: number) => [-4, -2, 0, 2, 4].map((d) => least[(column + d + columns) % columns]);
  let spikes = 0;
  for (let column = 0; column < columns; column++) {
    if (!(least[column] > 0) || least[(column + columns - 1) % columns] > 0) continue;
    let width = 1;
    while (width < columns && least[(column + width) % columns] > 0) width++;
    const middle = column + (width >> 1);
    if (near(middle + columns / 2).some((value) => value > 0 || Number.isNaN(value))) spikes++;
  }
  return spikes;
}
