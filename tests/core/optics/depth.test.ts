import { describe, expect, test } from 'vitest';
import { depthOfField, focusedAtM, hyperfocalM, sharpBand } from '../../../core/optics/depth.ts';

const FEET_PER_M = 1 / 0.3048;

/** Blur disc of a thing at `distanceM` by the Gaussian lens formula and similar triangles alone, µm. */
function blurUm(focalMm: number, fNumber: number, focusM: number, distanceM: number): number {
  const imageMm = (m: number) => (m === Infinity ? focalMm : 1 / (1 / focalMm - 1 / (1000 * m)));
  const [sensorMm, mm] = [imageMm(focusM), imageMm(distanceM)];
  return ((focalMm / fNumber) * Math.abs(mm - sensorMm) * 1000) / mm;
}

describe('depth of field', () => {
  test('2 inches at f/8 and a disc of 0.002 inch: 20.8 feet, then sharp from 10.4 feet to infinity (US Army correspondence course SS0507, learning event 10)', () => {
    const band = sharpBand(8, 0.002 * 25_400);
    expect(band.limit).toBe('blur');
    // The course leaves out the focal length that is added, 1/6 foot.
    expect(hyperfocalM(50.8, band) * FEET_PER_M - 2 / 12).toBeCloseTo(20.83, 2);
    const { nearM, farM } = depthOfField(50.8, band, hyperfocalM(50.8, band));
    expect(nearM * FEET_PER_M).toBeCloseTo(10.4, 0);
    expect(farM).toBe(Infinity);
  });

  test.each([
    [24, 2.8, 6, Infinity],
    [24, 2.8, 6, 10],
    [14, 1.8, 8, 2],
    [50, 8, 30, 3],
    [200, 4, 12, 80],
  ])(
    '%s mm f/%s, disc %s µm, focused at %s m: at both limits the disc is the one let pass (Gaussian lens formula)',
    (focalMm, fNumber, letPassUm, focusM) => {
      const band = sharpBand(fNumber, letPassUm);
      const { nearM, farM } = depthOfField(focalMm, band, focusM);
      const letPass = band.halfUm / fNumber;
      expect(letPass).toBeCloseTo(letPassUm, 9);
      expect(blurUm(focalMm, fNumber, focusM, nearM)).toBeCloseTo(letPass, 6);
      if (farM < Infinity) expect(blurUm(focalMm, fNumber, focusM, farM)).toBeCloseTo(letPass, 6);
      else expect(blurUm(focalMm, fNumber, focusM, Infinity)).toBeLessThanOrEqual(letPass * (1 + 1e-9));
      expect(nearM).toBeLessThan(focusM);
    },
  );

  test('a disc smaller than diffraction gains nothing: the quarter-wave depth of focus stays (Born & Wolf §8.8)', () => {
    expect(sharpBand(8, 1)).toEqual({ halfUm: 2 * 0.55 * 64, limit: 'diffraction' });
    expect(sharpBand(2, 4)).toEqual({ halfUm: 8, limit: 'blur' });
  });

  test('what a defocus is focused on: 1/f = 1/s + 1/s′ (Gaussian lens formula)', () => {
    expect(focusedAtM(24, (1 / (1 / 24 - 1 / 50_000) - 24) * 1000)).toBeCloseTo(50, 9);
    expect(focusedAtM(24, 0)).toBe(Infinity);
    expect(() => focusedAtM(24, -1)).toThrow('nothing is in focus beyond infinity: -1 µm');
  });

  test('refuses what is no lens or no distance', () => {
    expect(() => sharpBand(0, 5)).toThrow('f-number must be a number above 0, not 0');
    expect(() => hyperfocalM(0, sharpBand(2, 5))).toThrow('focal length must be a number above 0');
    expect(() => depthOfField(24, sharpBand(2, 5), 0.024)).toThrow('distance must be more than the focal length');
  });
});
