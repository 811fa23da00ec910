import { describe, expect, test } from 'vitest';
import { offsetOfShifts, offsetSlope, ZONE_LAYOUTS, type Zone, type ZoneLayout } from '../../../core/optics/mask.ts';
import { type LinearRgb, renderNoiseFree } from '../../../core/simulator/render.ts';
import { arcsecToPx, defaultScene, type Scene, star, truth } from '../../../core/simulator/scene.ts';

const noSky = { skyE: 0, seeingPx: 0 };

function sceneOf(layout: ZoneLayout, handedness: 1 | -1, changes: Partial<Scene> = {}): Scene {
  const base = defaultScene();
  return { ...base, ...noSky, mask: { ...base.mask!, layout, handedness }, ...changes };
}

/**
 * Intensity centroid of a pair's first orders relative to the star, along the mask's (u, n), px. Both
 * orders together, so that the spectrum's length cancels; order 0 and ±3 are left out by distance.
 */
function pairCentroid(image: LinearRgb, scene: Scene, directionDeg: number): { u: number; n: number } {
  const { spotDistancePx } = truth(scene);
  const along = (directionDeg * Math.PI) / 180;
  const sums = { 1: [0, 0, 0], '-1': [0, 0, 0] };
  for (let y = 0; y < scene.heightPx; y++)
    for (let x = 0; x < scene.widthPx; x++) {
      const dx = x - scene.star.xPx;
      const dy = y - scene.star.yPx;
      const distance = dx * Math.cos(along) + dy * Math.sin(along);
      if (Math.abs(distance) < 0.45 * spotDistancePx || Math.abs(distance) > 1.7 * spotDistancePx) continue;
      if (Math.abs(-dx * Math.sin(along) + dy * Math.cos(along)) > 0.6 * spotDistancePx) continue;
      const light = image.planes[1][y * scene.widthPx + x];
      const sum = sums[distance > 0 ? 1 : -1];
      sum[0] += light;
      sum[1] += light * dx;
      sum[2] += light * dy;
    }
  const mean = (i: number) => (sums[1][i] / sums[1][0] + sums['-1'][i] / sums['-1'][0]) / 2;
  const mask = (scene.maskRotationDeg * Math.PI) / 180;
  const [x, y] = [mean(1), mean(2)];
  return { u: x * Math.cos(mask) + y * Math.sin(mask), n: -x * Math.sin(mask) + y * Math.cos(mask) };
}

describe('the rendered spots move as the pupil’s geometry says', () => {
  const cases = ZONE_LAYOUTS.flatMap((layout) =>
    ([1, -1] as const).map((handedness) => ({ layout, handedness, dzUm: 8 * handedness })),
  );
  test.each(cases)('offset = k dz / N: $layout, handedness $handedness', ({ layout, handedness, dzUm }) => {
    const shifts = {} as Record<Zone, { u: number; n: number }>;
    const scene = sceneOf(layout, handedness, { maskRotationDeg: 31, dzUm });
    // Each zone alone, so that no other spot's tail enters its centroid.
    for (const zone of ['middle', 'plus', 'minus'] as const) {
      const only = { middle: 0, plus: 0, minus: 0, [zone]: 1 };
      const turn = zone === 'middle' ? 0 : zone === 'plus' ? 20 : -20;
      // Compared with focus, which takes out the tails cut off unevenly by the square pixels' window.
      const [blurred, sharp] = [scene, { ...scene, dzUm: 0 }].map((s) =>
        pairCentroid(renderNoiseFree({ ...s, zoneTransmission: only }), s, 31 + turn),
      );
      shifts[zone] = { u: blurred.u - sharp.u, n: blurred.n - sharp.n };
    }
    const { k } = offsetSlope(scene.mask!, scene.outerAngleDeg);
    const expected = (k * dzUm) / scene.fNumber / scene.pixelUm;
    const measured = offsetOfShifts(shifts, scene.outerAngleDeg);
    expect(Math.abs(measured / expected - 1)).toBeLessThan(0.02);
    expect(truth(scene).offsetPx).toBeCloseTo(expected, 3);
  });

  test('spherical aberration: the pair follows the mean of its rays', () => {
    const scene = sceneOf('half', 1, { sphericalWaves: 0.5, zoneTransmission: { middle: 1, plus: 0, minus: 0 } });
    const plain = { ...scene, sphericalWaves: 0 };
    const move = pairCentroid(renderNoiseFree(scene), scene, 0).n - pairCentroid(renderNoiseFree(plain), plain, 0).n;
    // Mean of r² n over the half disc of radius ½ is 2/(5π) · ½³ · 2 = 0.0509; ray shift 64 W N r² n.
    const meanCube = ((2 / (5 * Math.PI)) * 0.5 ** 3 * 2) / 1;
    expect(move / ((64 * 0.5 * 0.55 * 2.8 * meanCube) / 1.2)).toBeCloseTo(1, 1);
  });
});

describe('truth', () => {
  test('turning the mask by 180° turns u back and changes the signs of k and offset', () => {
    const one = truth(defaultScene({ dzUm: 10, maskRotationDeg: 40 }));
    const other = truth(defaultScene({ dzUm: 10, maskRotationDeg: 220 }));
    expect(one.middleAngleDeg).toBeCloseTo(40, 9);
    expect(other.middleAngleDeg).toBeCloseTo(40, 9);
    expect(other.k).toBeCloseTo(-one.k, 9);
    expect(other.offsetPx).toBeCloseTo(-one.offsetPx, 9);
    const turned = defaultScene({ dzUm: 10, maskRotationDeg: 40 });
    turned.mask!.orientation = -1;
    expect(truth(turned)).toEqual(other);
  });

  test.each([
    [90, 90],
    [-90, 90],
    [91, -89],
    [0, 0],
    [180, 0],
    [-360, 0],
    [450, 90],
  ])('angle %d° is given as %d°, in (−90°, 90°]', (angle, expected) => {
    expect(truth(defaultScene({ maskRotationDeg: angle })).middleAngleDeg).toBeCloseTo(expected, 9);
  });

  test('star at the middle of its trail; no pattern without a mask; spots merge far from focus', () => {
    const trailing = truth(defaultScene({ trailXPx: 6, trailYPx: -2 }));
    expect(trailing.starXPx).toBeCloseTo(511.3 + 3, 9);
    expect(trailing.starYPx).toBeCloseTo(339.6 - 1, 9);
    expect(truth(defaultScene({ mask: null })).pattern).toBe(false);
    expect(truth(defaultScene({ dzUm: 5 })).merged).toBe(false);
    expect(truth(defaultScene({ dzUm: 90 })).merged).toBe(true);
  });
});

/** Mean place and total of the Bayer-weighted light. */
function moments(image: LinearRgb): { total: number; x: number; y: number } {
  let [total, x, y] = [0, 0, 0];
  for (let at = 0; at < image.planes[0].length; at++) {
    const light = image.planes[0][at] / 4 + image.planes[1][at] / 2 + image.planes[2][at] / 4;
    total += light;
    x += light * (at % image.widthPx);
    y += light * Math.floor(at / image.widthPx);
  }
  return { total, x: x / total, y: y / total };
}

describe('rendering', () => {
  test('keeps place and light: an open pupil’s star', () => {
    const scene = defaultScene({ ...noSky, mask: null, star: star(200.37, 151.81, 1e5), widthPx: 400, heightPx: 300 });
    const { total, x, y } = moments(renderNoiseFree(scene));
    expect(total / 1e5).toBeGreaterThan(0.97); // the rest lies in tails beyond the frame or the limit
    expect(total / 1e5).toBeLessThan(1.001);
    expect(x).toBeCloseTo(200.37, 2);
    expect(y).toBeCloseTo(151.81, 2);
  });

  test('orders 0, ±1 and ±3 of half duty carry ¼ + 2/π² + 2/9π² of the light, out of ½ (Goodman §4.4)', () => {
    const { total } = moments(renderNoiseFree(defaultScene({ ...noSky, star: star(511, 340, 1e6) })));
    const share = (0.25 + 2 / Math.PI ** 2 + 2 / (3 * Math.PI) ** 2) / 0.5;
    expect(total / 1e6).toBeGreaterThan(share - 0.035);
    expect(total / 1e6).toBeLessThan(share);
  });

  test('first-order spots of one colour stand at λ f / p', () => {
    const scene = defaultScene({ ...noSky, zoneTransmission: { middle: 1, plus: 0, minus: 0 } });
    const image = renderNoiseFree(scene);
    // Green pixels see 535 nm on average, give or take the star's colour.
    let [light, sum] = [0, 0];
    for (let y = 300; y < 380; y++)
      for (let x = 545; x < 640; x++) {
        const value = image.planes[1][y * scene.widthPx + x];
        light += value;
        sum += value * (x - scene.star.xPx);
      }
    expect((sum / light) * (scene.pixelUm / 24_000) * scene.pitchUm).toBeCloseTo(0.535, 2);
  });

  test('seeing and a planet’s disc widen, a trail shifts', () => {
    const small = { ...noSky, mask: null, widthPx: 200, heightPx: 200, star: star(100, 100, 1e5) };
    const width = (changes: Partial<Scene>) => {
      const image = renderNoiseFree(defaultScene({ ...small, ...changes }));
      const centre = moments(image);
      let sum = 0;
      image.planes[1].forEach((value, at) => {
        const dx = (at % 200) - centre.x;
        if (Math.hypot(dx, Math.floor(at / 200) - centre.y) < 40) sum += value * dx * dx;
      });
      return { ...centre, variance: sum / image.planes[1].reduce((a, b) => a + b, 0) };
    };
    const plain = width({}).variance;
    expect(width({ seeingPx: 4 }).variance - plain).toBeCloseTo((4 / 2.3548) ** 2, 0);
    // A uniform disc of diameter d has the variance d²/16 along each axis.
    const disc = width({ star: { ...star(100, 100, 1e5), widthPx: 12, heightPx: 12 } });
    expect((disc.variance - plain) / (12 ** 2 / 16)).toBeCloseTo(1, 1);
    const trail = width({ trailXPx: 9 });
    expect(trail.x).toBeCloseTo(104.5, 1);
    expect((trail.variance - plain) / (9 ** 2 / 12)).toBeCloseTo(1, 1);
  });

  test('40 arc seconds at 50 mm are 9.7 µm', () => {
    expect(arcsecToPx(40, 50, 1)).toBeCloseTo(9.7, 1);
  });
});
