/** Families of simulated scenes, each drawn from a seed: a new seed gives new frames. */
import { DEFAULT_MASK, type ZoneLayout } from '../../core/optics/mask.ts';
import { type Random, seededRandom } from '../../core/simulator/random.ts';
import { defaultScene, type Light, type Scene, star } from '../../core/simulator/scene.ts';

/** A scene, and how many times the camera enlarges its pixels for live view (by interpolation). */
export interface BenchScene extends Scene {
  enlarge: number;
}

export interface Family {
  name: string;
  /** What the plain scene is drawn from, where it differs. */
  within?: Partial<Limits>;
  /** Changes a plain random scene into one of the family. */
  change?: (scene: BenchScene, draw: Draw) => void;
}

/** Random choices of one scene. */
export interface Draw {
  between: (low: number, high: number) => number;
  logBetween: (low: number, high: number) => number;
  oneOf: <T>(items: readonly T[]) => T;
}

type Range = readonly [low: number, high: number];

/** What plain scenes are drawn from. */
interface Limits {
  sizePx: Range;
  focalMm: Range;
  fNumber: Range;
  /** Distance of the spots from the star, px of the sensor's own picture. */
  distancePx: Range;
  /** Grating periods across the pupil; at least twenty, so that the spots stand apart. */
  periods: Range;
  outerAngleDeg: Range;
  /** Direction of the mask's u in the picture. */
  rotationDeg: Range;
  temperatureK: Range;
  /** Defocus in depths of focus, to either side. */
  defocus: Range;
  /** Peak of a middle spot over full well. */
  spotPeak: Range;
  layouts: readonly ZoneLayout[];
}

const PLAIN: Limits = {
  sizePx: [1024, 680],
  focalMm: [14, 85],
  fNumber: [1.4, 4],
  distancePx: [25, 110],
  periods: [24, 60],
  outerAngleDeg: [13, 26],
  rotationDeg: [-180, 180],
  temperatureK: [3500, 12000],
  defocus: [0, 2.5],
  spotPeak: [0.06, 0.7],
  layouts: ['half', 'half', 'strips-u', 'strips-n'],
};

function drawFrom(random: Random): Draw {
  return {
    between: (low, high) => low + (high - low) * random.uniform(),
    logBetween: (low, high) => low * (high / low) ** random.uniform(),
    oneOf: (items) => items[Math.floor(random.uniform() * items.length)],
  };
}

function plainScene(draw: Draw, seed: number, within: Limits): BenchScene {
  const [widthPx, heightPx] = within.sizePx;
  const focalMm = draw.logBetween(...within.focalMm);
  const fNumber = draw.logBetween(...within.fNumber);
  const distancePx = draw.logBetween(...within.distancePx);
  const airyPx = distancePx / draw.between(...within.periods);
  const pixelUm = (0.55 * fNumber) / airyPx;
  const pitchUm = (focalMm * 1000 * 0.55) / (distancePx * pixelUm);
  const outerAngleDeg = draw.between(...within.outerAngleDeg);
  const scene = defaultScene({
    widthPx,
    heightPx,
    focalMm,
    fNumber,
    pixelUm,
    pitchUm,
    outerAngleDeg,
    maskRotationDeg: draw.between(...within.rotationDeg),
    dzUm: draw.oneOf([-1, 1]) * draw.between(...within.defocus) * 1.1 * fNumber ** 2,
    seeingPx: draw.between(0.9, 1.6) * Math.max(1, airyPx),
    skyE: draw.logBetween(5, 80),
    readNoiseE: draw.between(2, 6),
    fullWellE: 4000,
    pedestal: 0.004,
    jpegQuality: draw.oneOf([90, 95]),
    seed,
  });
  scene.mask = {
    ...DEFAULT_MASK,
    layout: draw.oneOf(within.layouts),
    orientation: draw.oneOf([1, -1] as const),
    handedness: draw.oneOf([1, -1] as const),
    pitchUm,
    outerAngleDeg,
  };
  scene.gratingPhase = { middle: draw.between(0, 1), plus: draw.between(0, 1), minus: draw.between(0, 1) };
  const margin = Math.min(1.6 * distancePx + 20, heightPx / 2 - 4);
  const [x, y] = [draw.between(margin, widthPx - margin), draw.between(margin, heightPx - margin)];
  scene.star = star(x, y, 1, draw.logBetween(...within.temperatureK));
  setSpotPeak(scene, draw.logBetween(...within.spotPeak));
  return { ...scene, enlarge: 1 };
}

/** Scales the star so that a middle spot's peak is about `share` of full well. */
export function setSpotPeak(scene: Scene, share: number): void {
  const airyPx = (0.55 * scene.fNumber) / scene.pixelUm;
  const widthPx = Math.hypot(
    scene.seeingPx,
    1.9 * airyPx + (0.5 * Math.abs(scene.dzUm)) / scene.fNumber / scene.pixelUm,
  );
  const lengthPx = 0.35 * distanceOf(scene);
  // A first order of half the pupil carries (1/π)² · ½ of the light against duty ½ for all: about a tenth.
  scene.star.photoelectrons = (share * scene.fullWellE * widthPx * lengthPx * 1.1) / 0.1;
}

function distanceOf(scene: Scene): number {
  return (0.55 * scene.focalMm * 1000) / scene.pitchUm / scene.pixelUm;
}

/** Width of a spot across its line, px. */
function spotWidthPx(scene: Scene): number {
  return Math.max(scene.seeingPx, (1.9 * 0.55 * scene.fNumber) / scene.pixelUm);
}

const layout = (name: string, layout: ZoneLayout): Family => ({
  name,
  within: { layouts: [layout], defocus: [0, 5] },
});

const colours = (name: string, low: number, high: number): Family => ({ name, within: { temperatureK: [low, high] } });

/** `count` lights that shine in the frame together with the star, the pattern of each about it. */
const beside = (name: string, light: (scene: Scene, draw: Draw) => Light): Family => ({
  name,
  change: (scene, draw) => {
    for (let count = draw.between(1, 4); count > 0; count--) scene.otherLights.push(light(scene, draw));
  },
});

export const FAMILIES: Family[] = [
  { name: 'plain' },
  { name: 'faint', within: { spotPeak: [0.008, 0.04] } },
  { name: '12-24mm', within: { focalMm: [12, 24] } },
  { name: '85-600mm', within: { focalMm: [85, 600], periods: [40, 150] } },
  { name: 'f1.4-2', within: { fNumber: [1.4, 2] } },
  { name: 'f4-5.6', within: { fNumber: [4, 5.6] } },
  { name: 'f5.6-11', within: { fNumber: [5.6, 11] } },
  { name: 'small', within: { distancePx: [8, 20] } },
  { name: 'large', within: { sizePx: [1280, 960], distancePx: [110, 250] } },
  layout('half', 'half'),
  layout('strips-along-u', 'strips-u'),
  layout('strips-along-n', 'strips-n'),
  { name: 'angle-8-13', within: { outerAngleDeg: [8, 13], defocus: [0, 1.5] } },
  { name: 'angle-26-35', within: { outerAngleDeg: [26, 35] } },
  { name: 'upright', within: { rotationDeg: [89, 91] } },
  colours('2500-3500K', 2500, 3500),
  colours('12000-20000K', 12000, 20000),
  planet('jupiter', (scene, draw) => {
    scene.star.widthPx = scene.star.heightPx = pxOf(scene, draw.between(30, 50));
  }),
  planet('venus', (scene, draw) => {
    // The larger the nearer, and then the Sun lights less of it (from memory: 10″ when full, 24″ half, 60″ as a sickle).
    const lit = draw.between(0.1, 0.95);
    const acrossPx = pxOf(scene, 10 + 50 * (1 - lit) ** 1.5);
    Object.assign(scene.star, { widthPx: lit * acrossPx, heightPx: acrossPx, angleDeg: draw.between(0, 180) });
  }),
  { name: 'burnt-core', within: { spotPeak: [0.5, 0.95] } },
  { name: 'burnt-spots', within: { spotPeak: [1.2, 6] } },
  { name: '640x424', within: { sizePx: [640, 424], distancePx: [10, 60] } },
  { name: '1280x848', within: { sizePx: [1280, 848] } },
  { name: '1920x1280', within: { sizePx: [1920, 1280], distancePx: [40, 250] } },
  {
    name: 'reduced',
    within: { distancePx: [10, 40] },
    change: (scene, draw) => {
      // Each pixel is the mean of many: more light, less noise.
      const factor = draw.between(2, 6);
      scene.fullWellE *= factor ** 2;
      scene.skyE *= factor ** 2;
      scene.readNoiseE *= factor;
      scene.star.photoelectrons *= factor ** 2;
    },
  },
  magnified(5),
  magnified(10),
  {
    name: 'sharpened',
    change: (scene, draw) => Object.assign(scene, { bayer: true, sharpen: draw.between(0.3, 1.5) }),
  },
  { name: 'contrast', change: (scene) => Object.assign(scene, { tone: 'contrast' }) },
  { name: 'dark-sky', change: (scene, draw) => Object.assign(scene, { skyE: draw.between(0, 2) }) },
  {
    name: 'moonlit',
    change: (scene, draw) => {
      scene.skyE = draw.between(300, 900);
      scene.skyGradientXE = draw.between(-250, 250);
      scene.skyGradientYE = draw.between(-250, 250);
    },
  },
  beside('other-stars', (scene, draw) => away(scene, draw, 0, 0.6)),
  beside('lamps', (scene, draw) => away(scene, draw, draw.between(2, 12), 3, [1800, 4000])),
  beside('windows', (scene, draw) => ({
    ...away(scene, draw, draw.between(4, 14), 3, [2200, 5000]),
    square: true,
    angleDeg: draw.between(-10, 10),
  })),
  beside('flames', (scene, draw) => {
    const flame = away(scene, draw, draw.between(3, 8), 3, [1700, 2200]);
    return { ...flame, heightPx: flame.widthPx * draw.between(1.5, 3), angleDeg: draw.between(-20, 20) };
  }),
  {
    name: 'hot-pixels',
    change: (scene, draw) => Object.assign(scene, { hotPixels: Math.round(draw.between(50, 1500)) }),
  },
  { name: 'banding', change: (scene, draw) => Object.assign(scene, { bandingE: draw.between(2, 8) }) },
  {
    name: 'heavy-jpeg',
    change: (scene, draw) => Object.assign(scene, { jpegQuality: draw.oneOf([50, 60, 70, 80]) }),
  },
  {
    name: 'seeing',
    change: (scene, draw) => {
      scene.seeingPx = draw.between(1, 2.2) * spotWidthPx(scene);
    },
  },
  { name: 'shake', change: (scene, draw) => trail(scene, draw, draw.between(0.3, 1) * spotWidthPx(scene)) },
  { name: 'trails', change: (scene, draw) => trail(scene, draw, draw.between(1, 2.5) * spotWidthPx(scene)) },
  { name: 'defocused', within: { defocus: [3, 8], spotPeak: [0.2, 0.7] } },
  { name: 'breaking-up', within: { defocus: [8, 40], spotPeak: [0.2, 0.7] } },
  {
    name: 'uneven-mask',
    change: (scene, draw) => {
      const zone = draw.oneOf(['middle', 'plus', 'minus'] as const);
      scene.zoneTransmission = { ...scene.zoneTransmission, [zone]: draw.between(0.2, 1) };
    },
  },
  { name: 'spherical', change: (scene, draw) => Object.assign(scene, { sphericalWaves: draw.between(-0.5, 0.5) }) },
  {
    name: 'vignetted',
    change: (scene, draw) =>
      Object.assign(scene, { vignettingD: draw.between(0.05, 0.3), vignettingAngleDeg: draw.between(0, 360) }),
  },
  { name: 'obstructed', change: (scene, draw) => Object.assign(scene, { obstructionD: draw.between(0.15, 0.35) }) },
];

/** Sunlight from a disc of a planet's true size, through wide lenses and a fine mask: others would have its spots run into one. */
function planet(name: string, change: (scene: Scene, draw: Draw) => void): Family {
  return { name, within: { focalMm: [14, 35], periods: [40, 90], temperatureK: [5000, 6000] }, change };
}

const ARCSEC = Math.PI / 180 / 3600;

function pxOf({ focalMm, pixelUm }: Scene, arcsec: number): number {
  return (arcsec * ARCSEC * focalMm * 1000) / pixelUm;
}

/** A part of the sensor, a colour to each pixel, enlarged so that it fills the picture. */
function magnified(enlarge: number): Family {
  const sizePx = [Math.round(1024 / enlarge), Math.round(680 / enlarge)] as const;
  return {
    name: `magnified-${enlarge}x`,
    within: { sizePx, distancePx: [8, 0.27 * sizePx[1]], periods: [20, 40] },
    change: (scene) => Object.assign(scene, { enlarge, bayer: true }),
  };
}

function trail(scene: Scene, draw: Draw, lengthPx: number): void {
  const angle = draw.between(0, Math.PI);
  scene.trailXPx = lengthPx * Math.cos(angle);
  scene.trailYPx = lengthPx * Math.sin(angle);
}

/** Another light, clear of the star's pattern, up to `brightest` times as much light as the star's. */
function away(scene: Scene, draw: Draw, sizePx: number, brightest: number, temperatureK: Range = [2500, 12000]): Light {
  const clearPx = 2.6 * distanceOf(scene) + 30;
  for (let tries = 0; ; tries++) {
    const [x, y] = [draw.between(10, scene.widthPx - 10), draw.between(10, scene.heightPx - 10)];
    if (tries < 100 && Math.hypot(x - scene.star.xPx, y - scene.star.yPx) < clearPx) continue;
    const photoelectrons = scene.star.photoelectrons * draw.logBetween(brightest / 50, brightest);
    const light = star(x, y, photoelectrons, draw.logBetween(...temperatureK));
    return { ...light, widthPx: sizePx, heightPx: sizePx };
  }
}

/** The scene number `index` of a family under `seed`. */
export function drawScene(family: Family, index: number, seed: number): BenchScene {
  // Whole numbers of 32 bits throughout: in a longer one the index would be lost to rounding.
  const name = [...family.name].reduce((sum, c) => (31 * sum + c.charCodeAt(0)) | 0, 7);
  const number = (seed * 7919 + index * 104729 + name) | 0;
  const draw = drawFrom(seededRandom(number));
  const scene = plainScene(draw, number, { ...PLAIN, ...family.within });
  family.change?.(scene, draw);
  return scene;
}

export function familyNamed(name: string): Family {
  const family = FAMILIES.find((family) => family.name === name);
  if (!family) throw new RangeError(`no family "${name}"`);
  return family;
}

/** A plain mask and lens over everything a user turns: defocus, rotation, brightness, outer angle. */
export const GRID = {
  /** In depths of focus. */
  defocus: [-3, -1, 0, 1, 3],
  spotPeak: [0.01, 0.05, 0.2, 0.7, 2.5],
  outerAngleDeg: [10, 16, 22, 30],
  rotationDeg: [-67, 23],
};

export const GRID_FRAMES = Object.values(GRID).reduce((count, values) => count * values.length, 1);

/** Where frame `index` lies on the grid. */
export function gridPlace(index: number): Record<keyof typeof GRID, number> {
  let rest = index;
  const take = (values: number[]) => {
    const value = values[rest % values.length];
    rest = Math.floor(rest / values.length);
    return value;
  };
  return {
    defocus: take(GRID.defocus),
    spotPeak: take(GRID.spotPeak),
    outerAngleDeg: take(GRID.outerAngleDeg),
    rotationDeg: take(GRID.rotationDeg),
  };
}

export function drawGridScene(index: number, seed: number): BenchScene {
  const { defocus, spotPeak, outerAngleDeg, rotationDeg } = gridPlace(index);
  const draw = drawFrom(seededRandom(seed * 65537 + index));
  const fNumber = 2.8;
  const scene = defaultScene({
    widthPx: 640,
    heightPx: 424,
    fNumber,
    dzUm: defocus * 1.1 * fNumber ** 2,
    outerAngleDeg,
    maskRotationDeg: rotationDeg + draw.between(-20, 20),
    star: star(draw.between(200, 440), draw.between(150, 270), 1),
    pedestal: 0.004,
    seed: seed * 65537 + index,
  });
  setSpotPeak(scene, spotPeak);
  return { ...scene, enlarge: 1 };
}
