import { describe, expect, test } from 'vitest';
import { srgbDecode, srgbEncode } from '../../../core/optics/transfer.ts';
import { expose } from '../../../core/simulator/expose.ts';
import { seededRandom } from '../../../core/simulator/random.ts';
import { blankImage } from '../../../core/simulator/render.ts';
import { defaultScene, type Scene } from '../../../core/simulator/scene.ts';

function statistics(values: number[]) {
  const mean = values.reduce((a, b) => a + b) / values.length;
  const central = (power: number) => values.reduce((sum, value) => sum + (value - mean) ** power, 0) / values.length;
  const variance = central(2);
  return { mean, variance, skew: central(3) / variance ** 1.5, kurtosis: central(4) / variance ** 2 };
}

describe('random numbers', () => {
  const count = 200_000;

  test('normal deviates: moments 0, 1, 0, 3 and tails beyond 3σ and 4σ (tables: 0.270 % and 63 ppm)', () => {
    const random = seededRandom(7);
    const values = Array.from({ length: 5 * count }, () => random.gauss());
    const { mean, variance, skew, kurtosis } = statistics(values);
    expect(mean).toBeCloseTo(0, 2);
    expect(variance).toBeCloseTo(1, 2);
    expect(skew).toBeCloseTo(0, 1);
    expect(kurtosis).toBeCloseTo(3, 1);
    const beyond = (limit: number) => values.filter((value) => Math.abs(value) > limit).length / values.length;
    expect(beyond(3)).toBeCloseTo(0.0027, 3);
    expect(beyond(4) * 1e6).toBeGreaterThan(35);
    expect(beyond(4) * 1e6).toBeLessThan(95);
  });

  test.each([0.3, 4, 15, 900])('Poisson deviates of mean %d: variance = mean, skewness = 1/√mean', (mean) => {
    const random = seededRandom(11);
    const found = statistics(Array.from({ length: count }, () => random.poisson(mean)));
    expect(Math.abs(found.mean / mean - 1)).toBeLessThan(0.01);
    expect(Math.abs(found.variance / mean - 1)).toBeLessThan(0.02);
    expect(Math.abs(found.skew - 1 / Math.sqrt(mean))).toBeLessThan(0.04);
  });
});

/** A flat field of the given electrons, exposed. */
function flat(electrons: number, changes: Partial<Scene>) {
  const scene = defaultScene({ widthPx: 300, heightPx: 200, ...changes });
  const image = blankImage(300, 200);
  for (const plane of image.planes) plane.fill(electrons);
  return expose(image, scene);
}

describe('exposure', () => {
  test('no noise but the photons’: mean on the IEC 61966-2-1 curve, variance √n', () => {
    const { data } = flat(1000, { fullWellE: 4000, readNoiseE: 0 });
    const electrons = statistics(Array.from(data, (code) => srgbDecode(code / 255) * 4000));
    expect(electrons.mean).toBeCloseTo(1000, -1);
    // One code is 0.4 % of the curve here: its rounding adds little to the variance of 1000.
    expect(Math.abs(electrons.variance / 1000 - 1)).toBeLessThan(0.12);
  });

  test('read noise adds in variance', () => {
    const { data } = flat(1000, { fullWellE: 4000, readNoiseE: 40 });
    const { variance } = statistics(Array.from(data, (code) => srgbDecode(code / 255) * 4000));
    expect(Math.abs(variance / 2600 - 1)).toBeLessThan(0.08);
  });

  test('saturates at full well; the pedestal lifts no light', () => {
    expect(new Set(flat(9000, { fullWellE: 4000 }).data)).toEqual(new Set([255]));
    const dark = statistics(Array.from(flat(0, { readNoiseE: 0, pedestal: 0.02 }).data));
    expect(dark.mean).toBeCloseTo(Math.round(255 * srgbEncode(0.02)), 0);
  });

  test('hot pixels stay where they are from frame to frame of one seed', () => {
    const hot = () => {
      const scene = { readNoiseE: 0, hotPixels: 9, hotPixelE: 40_000, seed: 5 };
      const { data } = flat(0, scene);
      return [...data.keys()].filter((at) => data[at] > 100);
    };
    expect(hot().length).toBeGreaterThan(12);
    expect(hot()).toEqual(hot());
  });

  test('the colour mosaic keeps a flat field’s colour and, interpolated, quietens it', () => {
    const single = statistics(Array.from(flat(1000, { readNoiseE: 0 }).data));
    const mosaic = statistics(Array.from(flat(1000, { readNoiseE: 0, bayer: true }).data));
    expect(mosaic.mean).toBeCloseTo(single.mean, 0);
    expect(mosaic.variance).toBeLessThan(0.8 * single.variance);
  });

  test('banding moves whole rows, sharpening deepens noise, the contrast curve keeps black and white', () => {
    const { data } = flat(1000, { readNoiseE: 0, bandingE: 100 });
    const rows = Array.from(
      { length: 200 },
      (_, y) => statistics(Array.from(data.subarray(900 * y, 900 * (y + 1)))).mean,
    );
    expect(statistics(rows).variance).toBeGreaterThan(4);
    const plain = statistics(Array.from(flat(1000, {}).data)).variance;
    expect(statistics(Array.from(flat(1000, { sharpen: 1 }).data)).variance).toBeGreaterThan(2 * plain);
    expect(new Set(flat(9000, { tone: 'contrast' }).data)).toEqual(new Set([255]));
    expect(statistics(Array.from(flat(200, { tone: 'contrast' }).data)).mean).toBeLessThan(
      statistics(Array.from(flat(200, {}).data)).mean,
    );
  });
});
