/** The measurement against the simulator's own truth, which comes from the pupil's geometry, not from the picture. */
import { describe, expect, test } from 'vitest';
import type { PixelImage } from '../../../core/frame.ts';
import type { Optics } from '../../../core/measurement.ts';
import { DEFAULT_MASK, type Mask, ZONE_LAYOUTS } from '../../../core/optics/mask.ts';
import { srgbDecode } from '../../../core/optics/transfer.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { expose } from '../../../core/simulator/expose.ts';
import { seededRandom } from '../../../core/simulator/random.ts';
import { renderNoiseFree } from '../../../core/simulator/render.ts';
import { defaultScene, type Scene, star, truth } from '../../../core/simulator/scene.ts';
import { sceneLimit } from '../../bench/bound.ts';
import { asSeen, decoded, enlarged } from '../../bench/frames.ts';
import { rms, signedError } from '../../bench/measurement.ts';
import { drawScene, familyNamed } from '../../bench/scenes.ts';
import { encodeJpeg } from '../../support/encode.ts';
import { drawn, errorOverBound, expectTrue, frameOf, measured, scene, UNKNOWN } from './support.ts';

const mask = defaultScene().mask!;

/** A picture without noise, 16 bits linear. */
function noiseFree(drawnScene: Scene): PixelImage {
  const { widthPx, heightPx, planes } = renderNoiseFree(drawnScene);
  const data = new Uint16Array(3 * widthPx * heightPx);
  for (let i = 0; i < data.length; i++)
    data[i] = Math.min(1, planes[i % 3][Math.floor(i / 3)] / drawnScene.fullWellE + drawnScene.pedestal) * 65535;
  return { widthPx, heightPx, channels: 3, data, maxValue: 65535, transfer: 'linear' };
}

describe('geometry', () => {
  // Both sides of ±90°, where the middle line's direction, and with it the offset's sign, turns round.
  test.each(
    ZONE_LAYOUTS.flatMap((layout) => [-90, -89.4, 89.4, 90, 180, -45, 7].map((turn) => [layout, turn] as const)),
  )('%s, turned by %d°', (layout, maskRotationDeg) => {
    const { image, known } = drawn({ mask: { ...mask, layout }, maskRotationDeg, dzUm: 9 });
    const reading = measure(image, UNKNOWN);
    expectTrue(reading, known);
    expect(Math.abs(known.offsetPx)).toBeGreaterThan(0.29);
  });

  test.each([9, 14, 25, 110, 240])('spots %d px from the star', (distancePx) => {
    const factor = distancePx / 62.857;
    const { image, known } = drawn(
      { pixelUm: 1.2 / factor, seeingPx: Math.max(0.9, factor), dzUm: -7, ...starFor(distancePx) },
      sizeFor(distancePx),
    );
    expectTrue(measure(image, UNKNOWN), known);
  });

  test.each([9, 14, 26, 33])('outer angle %d°', (outerAngleDeg) => {
    const { image, known } = drawn({ outerAngleDeg, dzUm: 5, maskRotationDeg: 20 });
    expectTrue(measure(image, UNKNOWN), known);
  });

  test.each([
    ['half', 1, 1],
    ['half', -1, 1],
    ['half', 1, -1],
    ['strips-n', -1, 1],
    ['strips-n', 1, -1],
    ['strips-u', -1, 1],
  ] as const)('%s, handedness %d, orientation %d', (layout, handedness, orientation) => {
    const { image, known } = drawn({
      mask: { ...mask, layout, handedness, orientation },
      maskRotationDeg: -33,
      dzUm: -8,
    });
    expectTrue(measure(image, UNKNOWN), known);
  });

  test.each([-40, -25, 25, 40])('%d µm from focus, where the spots have shapes of their own', (dzUm) => {
    const { image, known } = drawn({ dzUm, maskRotationDeg: 64, star: star(149.8, 151.2, 900_000) });
    expect(known.merged).toBe(false);
    expectTrue(measure(image, UNKNOWN), known);
  });

  test.each(ZONE_LAYOUTS.flatMap((layout) => [-16, 16, 30].map((dzUm) => [layout, dzUm] as const)))(
    '%s at %d µm, without noise and with known optics: to some thousandths',
    (layout, dzUm) => {
      // Where the spectrum mixes, a separable model of the spots is wrong by 1 to 4 %.
      const drawnScene = scene({ mask: { ...mask, layout }, outerAngleDeg: 26, dzUm, maskRotationDeg: 31 });
      const known = truth(drawnScene);
      const { focalMm, fNumber, pixelUm } = drawnScene;
      const reading = measure(noiseFree(drawnScene), {
        ...{ focalMm, fNumber, pixelUm },
        mask: drawnScene.mask,
      });
      const found = measured(reading);
      const error = signedError(known, found.offsetPx, found.middleAngleDeg);
      expect(Math.abs(error)).toBeLessThan(Math.max(0.015, 0.005 * Math.abs(known.offsetPx)));
    },
  );

  test('spots of neighbouring zones interfere, by phases that are not known: to some thousandths all the same', () => {
    // Orders are fields (Goodman, Introduction to Fourier Optics, 6.1): added as intensities they are some 0.03 px wrong here.
    const drawnScene = drawScene(familyNamed('upright'), 0, 11);
    const known = truth(drawnScene);
    const { focalMm, fNumber, pixelUm } = drawnScene;
    const optics = { ...{ focalMm, fNumber, pixelUm }, mask: drawnScene.mask };
    const found = measured(measure(noiseFree(drawnScene), optics));
    expect(Math.abs(known.offsetPx)).toBeGreaterThan(3);
    expect(Math.abs(signedError(known, found.offsetPx, found.middleAngleDeg))).toBeLessThan(0.008);
  });

  test('spots of lines that stand five λN apart interfere strongly: the error comes near the Cramér–Rao bound', () => {
    const drawnScene = drawScene(familyNamed('angle-8-13'), 8, 2);
    const { pitchUm, focalMm, fNumber, outerAngleDeg } = drawnScene;
    const apartAiry = ((1000 * focalMm) / fNumber / pitchUm) * Math.sin((outerAngleDeg * Math.PI) / 180);
    expect(apartAiry).toBeCloseTo(5.3, 0);
    // With the other zones told by the ends of their chords alone it was some ten times the bound.
    expect(errorOverBound(drawnScene)).toBeLessThan(2);
  });

  test('strips side by side along u show defocus along their lines: used, the error comes near the Cramér–Rao bound', () => {
    const dim = scene({ dzUm: 25, maskRotationDeg: 20, star: star(150.3, 149.6, 60_000) });
    const mask: Mask = { ...dim.mask!, layout: 'strips-u' };
    const drawnScene = { ...dim, mask };
    // By the places across the lines alone it is some 2.4 times the bound.
    expect(errorOverBound(drawnScene)).toBeLessThan(1.8);
  });

  test('a trail blurs each line differently; the offset is that of its middle all the same', () => {
    const drawnScene = scene({ dzUm: 20, maskRotationDeg: 20, trailXPx: 9, trailYPx: 4 });
    const { focalMm, fNumber, pixelUm, mask } = drawnScene;
    const known = truth(drawnScene);
    const found = measured(measure(noiseFree(drawnScene), { focalMm, fNumber, pixelUm, mask }));
    expect(Math.abs(signedError(known, found.offsetPx, found.middleAngleDeg))).toBeLessThan(0.03);
  });

  test('a moonlit sky that slopes is taken off: the error comes near the Cramér–Rao bound', () => {
    const drawnScene = drawScene(familyNamed('moonlit'), 5, 2);
    expect(Math.hypot(drawnScene.skyGradientXE, drawnScene.skyGradientYE)).toBeGreaterThan(200);
    // With the slope left in it is some 3 times the bound.
    expect(errorOverBound(drawnScene)).toBeLessThan(2.2);
  });

  test('in focus the offset is zero within its σ', () => {
    const { image, known } = drawn({ dzUm: 0, maskRotationDeg: 12 });
    expect(known.offsetPx).toBeCloseTo(0, 9);
    expectTrue(measure(image, UNKNOWN), known);
  });

  test('far from focus, where pairs run into each other, the side is still right', () => {
    for (const dzUm of [-130, 130]) {
      const { image, known } = drawn({ dzUm, star: star(149.8, 151.2, 2_000_000) });
      expect(known.merged).toBe(true);
      const found = measured(measure(image, UNKNOWN));
      expect(found.offsetPx / known.offsetPx).toBeGreaterThan(0.7);
      expect(found.offsetPx / known.offsetPx).toBeLessThan(1.3);
    }
  });
});

describe('light', () => {
  test('a saturated star, and saturated spots', () => {
    for (const electrons of [3e6, 3e7]) {
      const { image, known } = drawn({ star: star(150.2, 149.7, electrons), dzUm: 6 });
      const reading = measured(measure(image, UNKNOWN));
      expect(reading.star.saturated).toBe(true);
      expectTrue(reading, known);
      if (electrons > 1e7) expect(reading.spots.some((spot) => spot.saturated)).toBe(true);
    }
  });

  test('near the edge, all spots just inside', () => {
    const { image, known } = drawn({ star: star(84.3, 215.2, 300_000), dzUm: 7 });
    expectTrue(measure(image, UNKNOWN), known);
  });

  test.each(['middle', 'plus', 'minus'] as const)('the %s zone gets a quarter of its light', (zone) => {
    const zoneTransmission = { middle: 1, plus: 1, minus: 1, [zone]: 0.25 };
    const { image, known } = drawn({ zoneTransmission, dzUm: 6, maskRotationDeg: 100 });
    expectTrue(measure(image, UNKNOWN), known);
  });

  test('spots and their signal-to-noise stand where the spectrum is brightest', () => {
    const { image, known } = drawn({ dzUm: 0 });
    const { spots, snr } = measured(measure(image, UNKNOWN));
    expect(spots.length).toBe(6);
    expect(snr).toBeGreaterThan(20);
    for (const { pair, side, xPx, yPx } of spots) {
      const angle = { middle: 0, plus: 20, minus: -20 }[pair] * (Math.PI / 180);
      expect(Math.abs(xPx - known.starXPx - side * known.spotDistancePx * Math.cos(angle))).toBeLessThan(4);
      expect(Math.abs(yPx - known.starYPx - side * known.spotDistancePx * Math.sin(angle))).toBeLessThan(2);
    }
  });

  test.each(['plain', 'faint', 'small', 'burnt-spots', 'moonlit', 'heavy-jpeg', 'shake', 'jupiter', 'vignetted'])(
    'of the bench: %s',
    (name) => {
      const drawnScene = drawScene(familyNamed(name), 3, 77);
      const known = truth(drawnScene);
      const reading = measure(frameOf(drawnScene), UNKNOWN);
      if (!known.merged) expectTrue(reading, known, 0.05);
    },
  );

  // Weighed by the sky's noise alone, of which nothing is left, the first fit went astray and nothing was found.
  test.each([0, 2])('a JPEG that has rounded the sky’s noise to nothing: %d', async (index) => {
    const drawnScene = drawScene(familyNamed('heavy-jpeg'), index, 1);
    const image = await decoded(await encodeJpeg(frameOf(drawnScene), drawnScene.jpegQuality));
    expectTrue(measure(image, UNKNOWN), truth(drawnScene), 0.1);
  });
});

describe('pixel formats', () => {
  const drawnScene = scene({ dzUm: 8, maskRotationDeg: 30 });
  const known = truth(drawnScene);
  const light = renderNoiseFree(drawnScene);
  const rgb = expose(light, drawnScene);

  test('grey', () => {
    const data = new Uint8Array(rgb.data.length / 3);
    for (let i = 0; i < data.length; i++)
      data[i] = Math.round((rgb.data[3 * i] + rgb.data[3 * i + 1] + rgb.data[3 * i + 2]) / 3);
    expectTrue(measure({ ...rgb, channels: 1, data }, UNKNOWN), known);
  });

  test('alpha is not looked at', () => {
    const data = new Uint8Array((rgb.data.length / 3) * 4);
    for (let i = 0; i < rgb.data.length / 3; i++)
      data.set([...rgb.data.slice(3 * i, 3 * i + 3), (i * 37) % 256], 4 * i);
    expect(measure({ ...rgb, channels: 4, data }, UNKNOWN)).toEqual(measure(rgb, UNKNOWN));
  });

  test('16 bits, linear', () => {
    const random = seededRandom(5);
    const data = new Uint16Array(rgb.data.length);
    light.planes.forEach((plane, c) => {
      for (let i = 0; i < plane.length; i++) {
        const electrons = random.poisson(plane[i]) + 4 * random.gauss();
        data[3 * i + c] = Math.max(0, Math.min(16383, 256 + electrons * 4));
      }
    });
    const image: PixelImage = { ...rgb, data, maxValue: 16383, transfer: 'linear' };
    expectTrue(measure(image, UNKNOWN), known);
  });

  test('a colour mosaic enlarged: its own pixels are looked at, near the Cramér–Rao bound', async () => {
    const scenes = [
      drawScene(familyNamed('magnified-5x'), 4, 1),
      drawScene(familyNamed('magnified-10x'), 4, 1),
      drawScene(familyNamed('magnified-10x'), 2, 2),
    ];
    // What is interpolated between pixels depends on where the spots fall among them.
    const shiftsPx = [0, 0.5, 1, 1.5];
    const errors = await Promise.all(
      scenes.flatMap((drawnScene) => {
        const { focalMm, fNumber, pixelUm, mask } = asSeen(drawnScene);
        const { enlarge, star } = drawnScene;
        const boundPx = enlarge * sceneLimit(drawnScene, () => 0).rawBoundPx;
        return shiftsPx.map(async (shiftPx) => {
          const shifted = { ...drawnScene, star: { ...star, xPx: star.xPx + shiftPx } };
          const picture = await enlarged(frameOf(shifted), enlarge);
          const found = measured(measure(picture, { focalMm, fNumber, pixelUm, mask }));
          return signedError(truth(asSeen(shifted)), found.offsetPx, found.middleAngleDeg) / boundPx;
        });
      }),
    );
    // With all pixels of the large picture it is 3 times the bound.
    expect(rms(errors)).toBeLessThan(1.5);
  });

  test('8 bits of sRGB and their linear values at 16 bits measure alike', () => {
    const data = Uint16Array.from(rgb.data, (value) => Math.round(65535 * srgbDecode(value / 255)));
    const linear = measured(measure({ ...rgb, data, maxValue: 65535, transfer: 'linear' }, UNKNOWN));
    const encoded = measured(measure(rgb, UNKNOWN));
    expect(Math.abs(linear.offsetPx - encoded.offsetPx)).toBeLessThan(0.2 * encoded.offsetSigmaPx);
  });
});

describe('microns', () => {
  const drawnScene = scene({ dzUm: 10, maskRotationDeg: 30 });
  const image = frameOf(drawnScene);
  const known: Mask = { ...mask };
  const optics: Optics = { focalMm: 24, fNumber: 2.8, pixelUm: 1.2, mask: known };

  test('value and sign of the defocus with everything known', () => {
    for (const dzUm of [-10, 10]) {
      const found = measured(measure(frameOf(scene({ dzUm, maskRotationDeg: 30 })), optics));
      expect(Math.abs(found.defocusUm! - dzUm)).toBeLessThan(Math.max(5 * found.defocusSigmaUm!, 0.3));
      // 0.2122 (2 + tan 20°) with the grating of +θ on the side of +u, from the half disc's centroid 4R/3π.
      expect(found.k).toBeCloseTo(0.2122 * (2 + Math.tan((20 * Math.PI) / 180)) * Math.sign(truth(drawnScene).k), 2);
      expect(found.defocusUm).toBeCloseTo((found.offsetPx * 1.2 * 2.8) / found.k!, 9);
      expect(found.defocusSigmaUm).toBeCloseTo((found.offsetSigmaPx * 1.2 * 2.8) / Math.abs(found.k!), 9);
    }
  });

  test('a mask turned round turns the sign', () => {
    const [a, b] = ([1, -1] as const).map((orientation) =>
      measured(measure(image, { ...optics, mask: { ...known, orientation } })),
    );
    expect(b.defocusUm).toBeCloseTo(-a.defocusUm!, 6);
  });

  test('an unknown handedness widens σ by half the spread of k', () => {
    const found = measured(measure(image, { ...optics, mask: { ...known, handedness: null } }));
    const tan = Math.tan((20 * Math.PI) / 180);
    // k = 0.2122 (2 ± tan θ): mean 0.4244, half spread 0.2122 tan θ.
    expect(found.k).toBeCloseTo(0.4244, 2);
    const share = (0.2122 * tan) / 0.4244;
    expect(found.defocusSigmaUm! / Math.abs(found.defocusUm!)).toBeGreaterThan(0.98 * share);
    expect(found.defocusSigmaUm! / Math.abs(found.defocusUm!)).toBeLessThan(1.1 * share);
    expect(Math.abs(found.defocusUm! - 10)).toBeLessThan(found.defocusSigmaUm! * 1.5);
  });

  test('no microns without pixel size or f-number', () => {
    for (const missing of [{ pixelUm: null, focalMm: null }, { fNumber: null }]) {
      const { defocusUm, defocusSigmaUm } = measured(measure(image, { ...optics, ...missing }));
      expect([defocusUm, defocusSigmaUm]).toEqual([null, null]);
    }
    expect(measured(measure(image, UNKNOWN)).k).toBeNull();
  });

  test('the pixel size follows from pitch and focal length: p = λ f / L', () => {
    const found = measured(measure(image, { ...optics, pixelUm: null }));
    expect(found.pixelUm! / 1.2).toBeGreaterThan(0.96);
    expect(found.pixelUm! / 1.2).toBeLessThan(1.04);
    expect(measured(measure(image, { ...optics, pixelUm: null, mask: DEFAULT_MASK })).pixelUm).toBeNull();
  });

  test('a mask with k = 0 is refused', () => {
    // strips along u with parallel gratings: nothing moves the crossing
    const flat: Mask = { ...known, layout: 'strips-u', outerAngleDeg: 0 };
    expect(() => measure(image, { ...optics, mask: flat })).toThrow(RangeError);
    expect(() => measure(image, { ...optics, mask: flat })).toThrow(/k = 0/);
  });
});

/** Light that keeps the spots below saturation at this distance. */
function starFor(distancePx: number) {
  const size = sizeFor(distancePx);
  return { star: star(size / 2 + 0.2, size / 2 - 0.3, 1200 * (40 + distancePx) * Math.max(1, distancePx / 60)) };
}

function sizeFor(distancePx: number): number {
  return Math.round(Math.max(160, 3.2 * distancePx + 60));
}
