/** Families of simulated scenes, each drawn from a seed: a new seed gives new frames. */
import type { ZoneLayout } from '../../core/optics/mask.ts';
import { type Random, seededRandom } from '../../core/simulator/random.ts';
import { defaultScene, type Light, type Scene, star } from '../../core/simulator/scene.ts';

export interface Family {
  name: string;
  /** Changes a plain random scene into one of the family. */
  change: (scene: Scene, draw: Draw) => void;
}

/** Random choices of one scene. */
export interface Draw {
  between: (low: number, high: number) => number;
  logBetween: (low: number, high: number) => number;
  oneOf: <T>(items: readonly T[]) => T;
}

function drawFrom(random: Random): Draw {
  return {
    between: (low, high) => low + (high - low) * random.uniform(),
    logBetween: (low, high) => low * (high / low) ** random.uniform(),
    oneOf: (items) => items[Math.floor(random.uniform() * items.length)],
  };
}

/** A plain scene: everything ordinary, spots below saturation, defocus within a few depths of focus. */
function plainScene(draw: Draw, seed: number): Scene {
  const focalMm = draw.oneOf([14, 20, 24, 35, 50, 85]);
  const fNumber = draw.oneOf([1.4, 1.8, 2, 2.8, 4]);
  const distancePx = draw.logBetween(25, 110);
  // Spots at λf/p; at least twenty periods across the pupil, so that they stand apart.
  const periods = draw.between(24, 60);
  const airyPx = distancePx / periods;
  const pixelUm = (0.55 * fNumber) / airyPx;
  const pitchUm = (focalMm * 1000 * 0.55) / (distancePx * pixelUm);
  const outerAngleDeg = draw.between(13, 26);
  const scene = defaultScene({
    focalMm,
    fNumber,
    pixelUm,
    pitchUm,
    outerAngleDeg,
    maskRotationDeg: draw.between(-180, 180),
    dzUm: draw.between(-2.5, 2.5) * 1.1 * fNumber ** 2,
    seeingPx: draw.between(0.9, 1.6) * Math.max(1, airyPx),
    skyE: draw.logBetween(5, 80),
    readNoiseE: draw.between(2, 6),
    fullWellE: 4000,
    pedestal: 0.004,
    jpegQuality: draw.oneOf([90, 95]),
    seed,
  });
  scene.mask = {
    name: 'mask',
    layout: draw.oneOf(['half', 'half', 'strips-u', 'strips-n'] as ZoneLayout[]),
    orientation: draw.oneOf([1, -1] as const),
    handedness: draw.oneOf([1, -1] as const),
    pitchUm,
    outerAngleDeg,
    ribD: 0,
    duty: 0.5,
  };
  scene.gratingPhase = { middle: draw.between(0, 1), plus: draw.between(0, 1), minus: draw.between(0, 1) };
  const margin = 1.7 * distancePx + 20;
  scene.star = star(
    draw.between(margin, scene.widthPx - margin),
    draw.between(margin, scene.heightPx - margin),
    1,
    draw.logBetween(3500, 12000),
  );
  setSpotPeak(scene, draw.logBetween(0.06, 0.7));
  return scene;
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

export const FAMILIES: Family[] = [
  { name: 'plain', change: () => undefined },
  { name: 'faint', change: (scene, draw) => setSpotPeak(scene, draw.logBetween(0.008, 0.04)) },
  {
    name: 'small',
    change: (scene, draw) => {
      rescale(scene, draw.logBetween(9, 20), draw);
      setSpotPeak(scene, draw.logBetween(0.08, 0.6));
    },
  },
  {
    name: 'large',
    change: (scene, draw) => {
      scene.widthPx = 1280;
      scene.heightPx = 960;
      rescale(scene, draw.logBetween(110, 240), draw);
      setSpotPeak(scene, draw.logBetween(0.08, 0.6));
    },
  },
  {
    name: 'saturated',
    change: (scene, draw) => setSpotPeak(scene, draw.logBetween(1.2, 6)),
  },
  {
    name: 'defocused',
    change: (scene, draw) => {
      const share = 0.5;
      scene.dzUm = draw.oneOf([-1, 1]) * draw.between(3, 8) * 1.1 * scene.fNumber ** 2;
      setSpotPeak(scene, share);
    },
  },
  {
    name: 'moonlit',
    change: (scene, draw) => {
      scene.skyE = draw.between(300, 900);
      scene.skyGradientXE = draw.between(-250, 250);
      scene.skyGradientYE = draw.between(-250, 250);
    },
  },
  {
    name: 'camera look',
    change: (scene, draw) => {
      scene.bayer = draw.oneOf([true, false]);
      scene.sharpen = draw.between(0.3, 1.2);
      scene.tone = 'contrast';
      scene.jpegQuality = draw.oneOf([78, 85, 90]);
    },
  },
  {
    name: 'heavy jpeg',
    change: (scene, draw) => {
      scene.jpegQuality = draw.oneOf([60, 70, 80]);
    },
  },
  {
    name: 'uneven mask',
    change: (scene, draw) => {
      const zone = draw.oneOf(['middle', 'plus', 'minus'] as const);
      scene.zoneTransmission = { ...scene.zoneTransmission, [zone]: draw.between(0.25, 0.9) };
    },
  },
  {
    name: 'clutter',
    change: (scene, draw) => {
      scene.hotPixels = Math.round(draw.between(20, 400));
      scene.bandingE = draw.between(0, 2);
      for (let i = 0; i < draw.between(1, 4); i++) scene.otherLights.push(otherLight(scene, draw));
    },
  },
  {
    name: 'shake',
    change: (scene, draw) => {
      const length = draw.between(0.5, 3);
      const angle = draw.between(0, Math.PI);
      scene.trailXPx = length * Math.cos(angle);
      scene.trailYPx = length * Math.sin(angle);
      scene.seeingPx *= draw.between(1, 1.5);
    },
  },
  {
    name: 'planet',
    change: (scene, draw) => {
      // Jupiter to Venus near the Earth, as wide as a third of the spots' blur to all of it.
      const sizePx = draw.between(0.3, 1) * Math.max(scene.seeingPx, (1.9 * 0.55 * scene.fNumber) / scene.pixelUm);
      scene.star.widthPx = sizePx;
      scene.star.heightPx = sizePx;
    },
  },
  {
    name: 'aberrated',
    change: (scene, draw) => {
      scene.sphericalWaves = draw.between(-0.4, 0.4);
      scene.obstructionD = draw.oneOf([0, draw.between(0.15, 0.35)]);
    },
  },
];

/** Changes the spots' distance, keeping diffraction in proportion, and puts the star back inside. */
function rescale(scene: Scene, distancePx: number, draw: Draw): void {
  const factor = distancePx / distanceOf(scene);
  scene.pixelUm /= factor;
  scene.seeingPx = Math.max(0.9, scene.seeingPx * factor);
  const margin = Math.min(1.6 * distancePx + 20, scene.heightPx / 2 - 4);
  scene.star.xPx = draw.between(margin, scene.widthPx - margin);
  scene.star.yPx = draw.between(margin, scene.heightPx - margin);
}

/** Another star or a lamp, well away from the pattern. */
function otherLight(scene: Scene, draw: Draw): Light {
  const away = 2.6 * distanceOf(scene) + 30;
  for (;;) {
    const [x, y] = [draw.between(10, scene.widthPx - 10), draw.between(10, scene.heightPx - 10)];
    if (Math.hypot(x - scene.star.xPx, y - scene.star.yPx) < away) continue;
    const light = star(x, y, scene.star.photoelectrons * draw.logBetween(0.02, 0.6), draw.logBetween(2500, 9000));
    if (draw.oneOf([true, false, false])) {
      light.widthPx = draw.between(2, 12);
      light.heightPx = draw.between(2, 12);
      light.square = draw.oneOf([true, false]);
    }
    return light;
  }
}

/** The scene number `index` of a family under `seed`. */
export function drawScene(family: Family, index: number, seed: number): Scene {
  const number =
    (seed * 7919 + index * 104729 + [...family.name].reduce((sum, c) => 31 * sum + c.charCodeAt(0), 7)) | 0;
  const draw = drawFrom(seededRandom(number));
  const scene = plainScene(draw, number);
  family.change(scene, draw);
  return scene;
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

export function drawGridScene(index: number, seed: number): Scene {
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
  return scene;
}
