import { expect, test } from 'vitest';
import { planckPhotons, starSpectrum } from '../../../core/optics/spectrum.ts';

test('photon spectrum peaks at 3669.7 µm K / T (Wien’s law for photons, from memory)', () => {
  for (const temperatureK of [3500, 6000]) {
    const peak = 3669.7 / temperatureK;
    const at = planckPhotons(peak, temperatureK);
    expect(planckPhotons(peak * 1.01, temperatureK)).toBeLessThan(at);
    expect(planckPhotons(peak * 0.99, temperatureK)).toBeLessThan(at);
  }
});

test('shares sum to one, white at 5800 K, bluer above and redder below', () => {
  const sums = (temperatureK: number) =>
    starSpectrum(temperatureK, 60).reduce((sum, { rgb }) => sum.map((value, c) => value + rgb[c]), [0, 0, 0]);
  for (const temperatureK of [3000, 5800, 12000]) {
    const [red, green, blue] = sums(temperatureK);
    expect(red / 4 + green / 2 + blue / 4).toBeCloseTo(1, 10);
  }
  const [red, green, blue] = sums(5800);
  expect(red / green).toBeCloseTo(1, 2);
  expect(blue / green).toBeCloseTo(1, 2);
  expect(sums(12000)[2]).toBeGreaterThan(1.2 * sums(12000)[0]);
  expect(sums(3000)[0]).toBeGreaterThan(2 * sums(3000)[2]);
});
