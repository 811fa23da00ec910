/**
 * The simulator against photutils and SExtractor: both located star and spots in its noise-free
 * frames (tests/reference/simulator/locate.py; versions in the fixture).
 */
import { describe, expect, test } from 'vitest';
import { type Scene, truth } from '../../core/simulator/scene.ts';
import fixture from './fixtures/simulator-places.json' with { type: 'json' };
import { greenPlane, roughPlaces, SCENES, WINDOW_PX } from './simulator/scenes.ts';

type Point = number[];
type Places = Record<string, { photutils: Point; sextractor: Point }>;
const located = fixture.scenes as unknown as Record<string, Places>;

/** Signed distance of the middle line from the crossing of the outer ones, along the truth's n. */
function offsetOfSpots(spot: (name: string) => Point, middleAngleDeg: number): number {
  const line = (zone: string) => {
    const [a, b] = [spot(`${zone} 1`), spot(`${zone} -1`)];
    return { at: a, along: [b[0] - a[0], b[1] - a[1]] };
  };
  const cross = (a: Point, b: Point) => a[0] * b[1] - a[1] * b[0];
  const [plus, minus, middle] = [line('plus'), line('minus'), line('middle')];
  const t = cross([minus.at[0] - plus.at[0], minus.at[1] - plus.at[1]], minus.along) / cross(plus.along, minus.along);
  const crossing = [plus.at[0] + t * plus.along[0], plus.at[1] + t * plus.along[1]];
  const angle = (middleAngleDeg * Math.PI) / 180;
  // A point of the middle line nearest to the crossing, then along n.
  const s =
    ((crossing[0] - middle.at[0]) * middle.along[0] + (crossing[1] - middle.at[1]) * middle.along[1]) /
    (middle.along[0] ** 2 + middle.along[1] ** 2);
  const foot = [middle.at[0] + s * middle.along[0], middle.at[1] + s * middle.along[1]];
  return -(foot[0] - crossing[0]) * Math.sin(angle) + (foot[1] - crossing[1]) * Math.cos(angle);
}

/** Centre of mass within the window, the quantity photutils' centroid_com computes. */
function centreOfMass(plane: Float32Array, scene: Scene, xPx: number, yPx: number): Point {
  let [light, sumX, sumY] = [0, 0, 0];
  for (let y = yPx - WINDOW_PX; y <= yPx + WINDOW_PX; y++)
    for (let x = xPx - WINDOW_PX; x <= xPx + WINDOW_PX; x++) {
      if (Math.hypot(x - xPx, y - yPx) > WINDOW_PX) continue;
      const value = plane[y * scene.widthPx + x];
      light += value;
      sumX += value * x;
      sumY += value * y;
    }
  return [sumX / light, sumY / light];
}

describe.each(Object.entries(SCENES))('%s', (name, scene) => {
  const places = located[name];
  const known = truth(scene);

  test('the frames are still those that were located', () => {
    const plane = greenPlane(scene);
    for (const place of roughPlaces(scene)) {
      const [x, y] = centreOfMass(plane, scene, place.xPx, place.yPx);
      expect(x).toBeCloseTo(places[place.name].photutils[0], 2);
      expect(y).toBeCloseTo(places[place.name].photutils[1], 2);
    }
  });

  test.each(['photutils', 'sextractor'] as const)('the star stands where it was put: %s', (program) => {
    // The zones together fill the disc, so its blur away from focus is centred on the star too.
    expect(Math.abs(places.star[program][0] - known.starXPx)).toBeLessThan(0.015);
    expect(Math.abs(places.star[program][1] - known.starYPx)).toBeLessThan(0.015);
  });

  // Each spot stands in its neighbours' far light, which interferes and moves a centre of mass by a hundredth.
  // SExtractor weights by a Gaussian, which pulls a lopsided spot towards its brightest part.
  test.each([
    ['photutils', 0.025],
    ['sextractor', 0.04],
  ] as const)('the spots’ lines give the true offset: %s', (program, tolerancePx) => {
    const offset = offsetOfSpots((spot) => places[spot][program], known.middleAngleDeg);
    expect(Math.abs(offset - known.offsetPx)).toBeLessThan(tolerancePx);
  });
});
