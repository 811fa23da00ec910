import { describe, expect, test } from 'vitest';
import { airyRadiusUm, blurDiameterUm, depthOfFocusUm, orderDistanceUm } from '../../../core/optics/formulas.ts';

describe('closed forms', () => {
  test('Airy radius is 1.22 λ N (Born & Wolf §8.5.2; first zero of J1 at 3.8317, Abramowitz & Stegun table 9.5)', () => {
    expect(airyRadiusUm(2.8)).toBeCloseTo((3.8317059702 / Math.PI) * 0.55 * 2.8, 6);
  });

  test('a grating of 600 lines/mm sends 589.3 nm to 20.7° (from memory: a figure usual in textbooks on sodium light); small angles agree to the difference of sine and tangent', () => {
    const pitchUm = 1000 / 600;
    const small = orderDistanceUm(1, pitchUm, 0.5893) / 1000; // λ / p, the sine in the grating equation
    expect((Math.asin(small) * 180) / Math.PI).toBeCloseTo(20.7, 1);
    expect(orderDistanceUm(24, 175, 0.55)).toBeCloseTo(75.43, 2); // 0.55 · 24000 / 175
    expect(orderDistanceUm(24, 175, 0.55, 3)).toBeCloseTo(3 * 75.4286, 3);
  });

  test('quarter-wave depth of focus (Born & Wolf §8.8): wavefront error dz / 8N² at its end is λ/4', () => {
    expect(depthOfFocusUm(2.8)).toBeCloseTo(8.62, 2); // the design's ±8.6 µm
    expect(depthOfFocusUm(4, 0.5) / (8 * 4 ** 2)).toBeCloseTo(0.5 / 4, 12);
  });

  test('blur diameter dz / N, either side of focus (similar triangles)', () => {
    expect(blurDiameterUm(-28, 2.8)).toBeCloseTo(10, 12);
  });

  test('refuses values that are no lens', () => {
    expect(() => depthOfFocusUm(0)).toThrow('f-number must be a number above 0, not 0');
    expect(() => orderDistanceUm(-24, 175)).toThrow('focal length must be a number above 0, not -24');
    expect(() => orderDistanceUm(24, Number.NaN)).toThrow('pitch must be a number above 0');
  });
});
