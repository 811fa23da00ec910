/** Noise-free scenes whose star and spots an outside program has located; see locate.py. */
import { renderNoiseFree } from '../../../core/simulator/render.ts';
import { defaultScene, type Scene, star, truth } from '../../../core/simulator/scene.ts';

const base = defaultScene();
/** Long pitch distance and wide angle, so that each spot stands alone in its window. */
const apart = { outerAngleDeg: 34, pitchUm: 96, seeingPx: 1.2, skyE: 0, widthPx: 512, heightPx: 512 };

export const SCENES: Record<string, Scene> = {
  'half, in focus': { ...base, ...apart, star: star(255.3, 256.8, 1e6), maskRotationDeg: 17 },
  'half, 9 µm behind': { ...base, ...apart, star: star(255.62, 256.11, 1e6), maskRotationDeg: -40, dzUm: 9 },
  'half, 16 µm in front, other hand': {
    ...base,
    ...apart,
    mask: { ...base.mask!, handedness: -1 },
    star: star(256.05, 255.49, 1e6, 4500),
    maskRotationDeg: 80,
    dzUm: -16,
  },
  'strips along u, 12 µm behind': {
    ...base,
    ...apart,
    mask: { ...base.mask!, layout: 'strips-u' },
    star: star(255.9, 256.4, 1e6, 9000),
    maskRotationDeg: 5,
    dzUm: 12,
  },
  'strips along n, 12 µm in front': {
    ...base,
    ...apart,
    mask: { ...base.mask!, layout: 'strips-n' },
    star: star(255.2, 255.2, 1e6),
    maskRotationDeg: 140,
    dzUm: -12,
  },
};

export interface Place {
  /** 'star', or zone and side of a spot. */
  name: string;
  xPx: number;
  yPx: number;
}

/** Rough places, whole pixels, of the star and the six first-order spots (for focus; windows are wide enough). */
export function roughPlaces(scene: Scene): Place[] {
  const { spotDistancePx, starXPx, starYPx } = truth(scene);
  const places: Place[] = [{ name: 'star', xPx: Math.round(starXPx), yPx: Math.round(starYPx) }];
  for (const [zone, turn] of [
    ['middle', 0],
    ['plus', scene.outerAngleDeg],
    ['minus', -scene.outerAngleDeg],
  ] as const)
    for (const side of [1, -1]) {
      const angle = ((scene.maskRotationDeg + turn) * Math.PI) / 180;
      places.push({
        name: `${zone} ${side}`,
        xPx: Math.round(starXPx + side * spotDistancePx * Math.cos(angle)),
        yPx: Math.round(starYPx + side * spotDistancePx * Math.sin(angle)),
      });
    }
  return places;
}

/** Radius around a rough place within which its light is taken, px. */
export const WINDOW_PX = 30;

/** The green plane alone. */
export function greenPlane(scene: Scene): Float32Array {
  return renderNoiseFree(scene).planes[1];
}
