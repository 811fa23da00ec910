/** A field of stars without the mask, blurred as a lens out of focus, tilted, curved or shaken would blur it. */
import { normalCdf } from '../guide/guide.ts';
import type { Random } from './random.ts';
import { seededRandom } from './random.ts';
import { addSky, blankImage, type LinearRgb } from './render.ts';
import { defaultScene, type Scene } from './scene.ts';

export interface FieldStar {
  xPx: number;
  yPx: number;
  /** Electrons per channel, before the star's colour. */
  electrons: number;
  /** Share of red over blue light, about 0.6 to 1.6. */
  redness: number;
}

/** How points become stars; lengths in pixels of the frame. */
export interface FieldBlur {
  /** Full width at half maximum of the Gaussian that lens, air and sensor give everywhere. */
  fwhmPx: number;
  /** Diameter of the defocus disc in the middle, with the defocus's sign. */
  discPx: number;
  /** Change of that diameter from the middle to the right and to the lower edge: sensor or lens tilted. */
  tiltXPx: number;
  tiltYPx: number;
  /** Change of it from the middle to the corners, as the square of the distance: a curved field. */
  curvaturePx: number;
  /** Length in the corners of a smear along the radius, growing as the square of the distance. */
  cornerPx: number;
  /** Way of the stars during the exposure, the same everywhere. */
  trailXPx: number;
  trailYPx: number;
}

export const SHARP: FieldBlur = {
  fwhmPx: 2.4,
  discPx: 0,
  tiltXPx: 0,
  tiltYPx: 0,
  curvaturePx: 0,
  cornerPx: 0,
  trailXPx: 0,
  trailYPx: 0,
};

/**
 * Stars evenly over the frame; the number brighter than E falls as 1/E, as the counts of real skies nearly do
 * (for evenly spread stars it would be E^−1.5).
 * @param faintestE electrons per channel of the faintest
 */
export function drawStars(
  count: number,
  widthPx: number,
  heightPx: number,
  faintestE: number,
  random: Random,
): FieldStar[] {
  return Array.from({ length: count }, () => ({
    xPx: random.uniform() * widthPx - 0.5,
    yPx: random.uniform() * heightPx - 0.5,
    electrons: faintestE / Math.max(2e-4, random.uniform()),
    redness: Math.exp(0.35 * (2 * random.uniform() - 1)),
  }));
}

/** Expected electrons of the field: sky of `scene`, and its stars. */
export function renderField(scene: Scene, stars: readonly FieldStar[], blur: FieldBlur): LinearRgb {
  const image = blankImage(scene.widthPx, scene.heightPx);
  addSky(image, scene);
  for (const star of stars) addStar(image, star, blur);
  return image;
}

/** A scene that `expose` can take, with the field's size, sky and sensor. */
export function fieldScene(changes: Partial<Scene>): Scene {
  return defaultScene({ mask: null, fullWellE: 6000, skyE: 150, readNoiseE: 4, ...changes });
}

/** A field of seeded stars and its noise-free picture. */
export function seededField(scene: Scene, count: number, faintestE: number, blur: FieldBlur) {
  const stars = drawStars(count, scene.widthPx, scene.heightPx, faintestE, seededRandom(scene.seed ^ 0x2545f491));
  return { stars, light: renderField(scene, stars, blur) };
}

function addStar({ widthPx, heightPx, planes }: LinearRgb, star: FieldStar, blur: FieldBlur): void {
  const points = pointsOf(star, widthPx, heightPx, blur);
  const sigma = blur.fwhmPx / 2.354820045;
  const reach = 5 * sigma + 1;
  const [left, right] = extent(points, 0, star.xPx, reach, widthPx);
  const [top, bottom] = extent(points, 1, star.yPx, reach, heightPx);
  if (right <= left || bottom <= top) return;
  const width = right - left;
  const spread = new Float64Array(width * (bottom - top));
  const across = new Float64Array(width);
  for (const [dx, dy] of points) {
    const [x, y] = [star.xPx + dx, star.yPx + dy];
    const [x0, x1] = [Math.max(left, Math.ceil(x - reach)), Math.min(right, Math.floor(x + reach) + 1)];
    const [y0, y1] = [Math.max(top, Math.ceil(y - reach)), Math.min(bottom, Math.floor(y + reach) + 1)];
    for (let i = x0; i < x1; i++) across[i - left] = inPixel(i - x, sigma);
    for (let j = y0; j < y1; j++) {
      const row = inPixel(j - y, sigma) / points.length;
      for (let i = x0, at = (j - top) * width + x0 - left; i < x1; i++, at++) spread[at] += row * across[i - left];
    }
  }
  const shares = [star.redness, 1, 1 / star.redness].map((share) => share * star.electrons);
  for (let y = top, at = 0; y < bottom; y++)
    for (let x = left, to = y * widthPx + left; x < right; x++, to++, at++)
      for (let c = 0; c < 3; c++) planes[c][to] += shares[c] * spread[at];
}

/** Part of a Gaussian that falls on the pixel at this distance from its centre, one way. */
function inPixel(distance: number, sigma: number): number {
  return normalCdf((distance + 0.5) / sigma) - normalCdf((distance - 0.5) / sigma);
}

function extent(points: number[][], axis: 0 | 1, at: number, reach: number, sizePx: number): [number, number] {
  const offsets = points.map((point) => point[axis]);
  return [
    Math.max(0, Math.ceil(at + Math.min(...offsets) - reach)),
    Math.min(sizePx, Math.floor(at + Math.max(...offsets) + reach) + 1),
  ];
}

/** Where the star's rays land about its place: disc, trail and corner smear, as close as the Gaussian asks for. */
function pointsOf({ xPx, yPx }: FieldStar, widthPx: number, heightPx: number, blur: FieldBlur): number[][] {
  const [halfX, halfY] = [widthPx / 2, heightPx / 2];
  const [x, y] = [xPx + 0.5 - halfX, yPx + 0.5 - halfY];
  const part = (x * x + y * y) / (halfX * halfX + halfY * halfY);
  const disc = Math.abs(
    blur.discPx + (blur.tiltXPx * x) / halfX + (blur.tiltYPx * y) / halfY + blur.curvaturePx * part,
  );
  const radius = Math.hypot(x, y) || 1;
  const smear = (blur.cornerPx * part) / radius;
  let points = [[0, 0]];
  if (disc > 0.05) points = spread(points, sunflower(disc, blur.fwhmPx));
  points = spread(points, line(blur.trailXPx, blur.trailYPx, blur.fwhmPx));
  return spread(points, line(smear * x, smear * y, blur.fwhmPx));
}

function spread(points: number[][], by: number[][]): number[][] {
  return by.length === 1 ? points : points.flatMap(([x, y]) => by.map(([dx, dy]) => [x + dx, y + dy]));
}

/** Points evenly over a disc (Vogel's spiral). */
function sunflower(diameterPx: number, fwhmPx: number): number[][] {
  const count = Math.min(200, Math.max(12, Math.ceil(3 * (diameterPx / fwhmPx) ** 2)));
  return Array.from({ length: count }, (_, i) => {
    const radius = (diameterPx / 2) * Math.sqrt((i + 0.5) / count);
    const angle = i * Math.PI * (3 - Math.sqrt(5));
    return [radius * Math.cos(angle), radius * Math.sin(angle)];
  });
}

function line(dx: number, dy: number, fwhmPx: number): number[][] {
  const lengthPx = Math.hypot(dx, dy);
  if (lengthPx < 0.05) return [[0, 0]];
  const count = Math.max(4, Math.ceil((3 * lengthPx) / fwhmPx));
  return Array.from({ length: count }, (_, i) => [dx * ((i + 0.5) / count - 0.5), dy * ((i + 0.5) / count - 0.5)]);
}
