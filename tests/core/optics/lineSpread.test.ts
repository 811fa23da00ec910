/** Line spreads of the zones against closed forms and against the diffraction integral in two dimensions. */
import { describe, expect, test } from 'vitest';
import { orderIntensity, type PupilOptics, pupilSizeFor, samplePupil } from '../../../core/optics/diffraction.ts';
import { meanRay, ZoneSpread } from '../../../core/optics/lineSpread.ts';
import { cachedCentroids, type Zone, type ZoneLayout } from '../../../core/optics/mask.ts';
import { doubleSampling } from '../../../core/simulator/render.ts';

const NO_GRATING: PupilOptics = {
  duty: 1,
  periodsAcross: 40,
  outerAngleDeg: 20,
  phasePeriods: { middle: 0, plus: 0, minus: 0 },
  fNumber: 2.8,
  dzUm: 0,
  sphericalUm: 0,
};
const STEP = 0.05;
/** Bins of one λN along the line. */
const ALONG_BINS = 7;
const REACH = 18;
const COUNT = Math.round((2 * REACH) / STEP) + 1;
const RHO = Float64Array.from({ length: COUNT }, (_, i) => -REACH + i * STEP);

function spread(layout: ZoneLayout, zone: Zone, q: number, turnDeg = 0, w = 0): Float64Array {
  const out = new Float64Array(COUNT);
  new ZoneSpread({ layout, handedness: 1, ribD: 0 }, zone, turnDeg).sample({ q, w }, -REACH, STEP, out);
  return out;
}

const sum = (values: Float64Array) => values.reduce((a, b) => a + b, 0) * STEP;
const mean = (values: Float64Array) =>
  values.reduce((a, b, i) => a + b * RHO[i], 0) / values.reduce((a, b) => a + b, 0);

describe('closed forms', () => {
  test('where a zone’s light has its middle, across its line and along it, however the line is turned', () => {
    // A half disc's centroid is 4R/3π from the centre (handbook figure).
    const far = (4 * 0.5) / (3 * Math.PI);
    const shape = { layout: 'half', handedness: 1, ribD: 0 } as const;
    for (const turnDeg of [0, 20, 37, 90, -20]) {
      const turn = (turnDeg * Math.PI) / 180;
      const zone = new ZoneSpread(shape, 'middle', turnDeg);
      expect(zone.centroidAcross).toBeCloseTo(far * Math.cos(turn), 3);
      expect(zone.centroidAlong).toBeCloseTo(far * Math.sin(turn), 3);
    }
    const strip = new ZoneSpread({ ...shape, layout: 'strips-u' }, 'middle', 20);
    expect(Math.hypot(strip.centroidAcross, strip.centroidAlong, strip.cubicAcross, strip.cubicAlong)).toBeLessThan(
      1e-15,
    );
  });

  test('density is normalised at any defocus', () => {
    for (const q of [0, 0.3, 2, -5.25, 8]) expect(sum(spread('half', 'middle', q))).toBeCloseTo(1, 2);
  });

  test('in focus an end strip is nearly a slit: sinc² of its width', () => {
    // Fraunhofer diffraction by a slit of width w (Goodman, Introduction to Fourier Optics, 4.4.1): sinc²(w ρ),
    // here summed over the strip's chords. Seen across the line at 90°, the centre strip's chords along u are
    // all 1/3 D long but for the pupil's rounding.
    const values = spread('strips-u', 'middle', 0, 90);
    const sinc2 = (x: number) => (x === 0 ? 1 : (Math.sin(Math.PI * x) / (Math.PI * x)) ** 2);
    const peak = Math.max(...values);
    let largest = 0;
    for (let i = 0; i < COUNT; i++)
      if (Math.abs(RHO[i]) < 2.9) largest = Math.max(largest, Math.abs(values[i] / peak - sinc2(RHO[i] / 3)));
    // Interpolated linearly between six samples per λN.
    expect(largest).toBeLessThan(0.02);
  });

  test('far from focus a strip is a slit’s shadow: Q / 3 wide', () => {
    const q = 360;
    const out = new Float64Array(401);
    new ZoneSpread({ layout: 'strips-u', handedness: 1, ribD: 0 }, 'middle', 90).sample({ q, w: 0 }, -100, 0.5, out);
    // Geometric optics: a ray through b lands at b · Q λN; edges at ± Q / 6, where the light is a quarter of
    // that inside (Fresnel diffraction by a straight edge, Born & Wolf §8.7.3).
    const lit = [...out.keys()].filter((i) => out[i] > 0.25 * (3 / q));
    expect((lit.at(-1)! - lit[0]) * 0.5).toBeGreaterThan(0.95 * (q / 3));
    expect((lit.at(-1)! - lit[0]) * 0.5).toBeLessThan(1.05 * (q / 3));
  });
});

describe('mean ray and symmetry', () => {
  test('the mean stays at the zone’s mean ray, whatever the defocus', () => {
    // The tails fall as 1/ρ² and are cut: a few hundredths of λN remain.
    for (const [layout, zone] of [
      ['half', 'middle'],
      ['half', 'plus'],
      ['strips-n', 'minus'],
    ] as const)
      for (const q of [0, 1.5, 4, -4]) expect(Math.abs(mean(spread(layout, zone, q)))).toBeLessThan(0.08);
  });

  test('spherical aberration moves the mean ray by 64 W times the mean of r² b', () => {
    // Of a half disc in closed form: ∫∫ r³ sin φ r dr dφ over its area π / 8 is 2 · (½)⁵ / 5 / (π / 8) = 1 / (10 π).
    const half = new ZoneSpread({ layout: 'half', handedness: 1, ribD: 0 }, 'middle', 0);
    expect(Math.abs(half.cubicAcross)).toBeCloseTo(1 / (10 * Math.PI), 3);
    expect(half.cubicAlong).toBeCloseTo(0, 6);
    for (const w of [0.2, -0.3]) expect(Math.abs(mean(spread('half', 'middle', 0, 0, w)))).toBeLessThan(0.08);
  });

  test('turning Q round mirrors the spread', () => {
    for (const zone of ['middle', 'plus', 'minus'] as const)
      for (const q of [0.5, 3, 3.3]) {
        const [a, b] = [spread('half', zone, q, 20), spread('half', zone, -q, 20)];
        // (the table's last sample, in the far tail, is left out on one side)
        for (let i = 0; i < COUNT; i++) if (Math.abs(RHO[i]) < 3.2) expect(a[i]).toBeCloseTo(b[COUNT - 1 - i], 9);
      }
  });

  test('a half disc’s spread is lopsided out of focus, and even in focus', () => {
    const skew = (values: Float64Array) => {
      const m = mean(values);
      return values.reduce((total, v, i) => (Math.abs(RHO[i]) < 5 ? total + v * (RHO[i] - m) ** 3 : total), 0) * STEP;
    };
    expect(Math.abs(skew(spread('half', 'middle', 0)))).toBeLessThan(0.05);
    expect(Math.abs(skew(spread('half', 'middle', 8)))).toBeGreaterThan(0.1);
  });

  test('between tabulated Q the spread changes smoothly', () => {
    const [low, mid, high] = [3, 3.25, 3.5].map((q) => spread('half', 'middle', q));
    for (let i = 0; i < COUNT; i++) expect(mid[i]).toBeCloseTo((low[i] + high[i]) / 2, 9);
  });
});

describe('the diffraction integral, summed along the line', () => {
  test.each([
    ['half', 'middle', 0, 0],
    ['half', 'middle', 12, 0],
    ['half', 'plus', 12, 0],
    ['half', 'minus', -12, 0],
    ['strips-u', 'plus', 12, 0],
    ['strips-n', 'middle', -12, 0],
    ['half', 'middle', -12, 0.4],
    ['half', 'plus', 6, -0.35],
    ['strips-u', 'minus', 0, 0.45],
  ] as const)('%s %s at %d µm, spherical aberration of %d waves', (layout, zone, dzUm, w) => {
    const [fNumber, wavelengthUm, turnDeg] = [2.8, 0.55, { middle: 0, plus: 20, minus: -20 }[zone]];
    const q = dzUm / (wavelengthUm * fNumber ** 2);
    const shape = { layout, handedness: 1 as const, ribD: 0, obstructionD: 0, blades: 0, vanes: 0, vaneWidthD: 0 };
    // The zone alone, as an opening: order 0 of a grating of duty 1 has the shape of any order.
    const transmission = { middle: 0, plus: 0, minus: 0, [zone]: 1 };
    const optics = { ...NO_GRATING, fNumber, dzUm, sphericalUm: w * wavelengthUm };
    const pupil = samplePupil({ ...shape, bladeAngleDeg: 0, transmission }, pupilSizeFor(optics, wavelengthUm, 14));
    const [patch] = orderIntensity(pupil, optics, [0], [wavelengthUm], 14);
    const { stepAiry, iu, in: iN, width, height, data } = doubleSampling(doubleSampling(patch));

    const zoneSpread = new ZoneSpread({ layout, handedness: 1, ribD: 0 }, zone, turnDeg);
    const centroid = cachedCentroids({ layout, handedness: 1, ribD: 0 })[zone];
    const [cos, sin] = [Math.cos((turnDeg * Math.PI) / 180), Math.sin((turnDeg * Math.PI) / 180)];
    const meanAcross = meanRay({ q, w }, centroid.n * cos - centroid.u * sin, zoneSpread.cubicAcross);
    const meanAlong = meanRay({ q, w }, centroid.u * cos + centroid.n * sin, zoneSpread.cubicAlong);
    const bin = 0.5;
    const bins = 2 * 4 + 1;
    const summed = new Float64Array(bins);
    // The same light by its place along the line too, with the weights of linear interpolation.
    const gathered = new Float64Array(ALONG_BINS * bins);
    let total = 0;
    for (let j = 0; j < height; j++)
      for (let i = 0; i < width; i++) {
        const across = (iN + j) * stepAiry * cos - (iu + i) * stepAiry * sin - meanAcross;
        const k = Math.round(across / bin) + 4;
        total += data[j * width + i];
        if (k < 0 || k >= bins) continue;
        summed[k] += data[j * width + i];
        const along = (iu + i) * stepAiry * cos + (iN + j) * stepAiry * sin - meanAlong;
        for (let row = 0; row < ALONG_BINS; row++) {
          const share = 1 - Math.abs(along - (row - (ALONG_BINS >> 1)));
          if (share > 0) gathered[row * bins + k] += share * data[j * width + i];
        }
      }
    const values = spread(layout, zone, q, turnDeg, w);
    for (let k = 0; k < bins; k++) {
      const [from, to] = [(k - 4.5) * bin, (k - 3.5) * bin];
      const share = values.reduce((t, v, i) => (RHO[i] >= from && RHO[i] < to ? t + v * STEP : t), 0);
      // Bins' edges on the two grids differ by up to a twelfth of λN.
      expect(Math.abs(share - summed[k] / total)).toBeLessThan(0.03);
    }
    expect(Math.max(...summed) / total).toBeGreaterThan(0.1);

    const rows = new Float64Array(ALONG_BINS * COUNT);
    zoneSpread.sampleAlong({ q, w }, 1, -REACH, STEP, ALONG_BINS, rows);
    for (let row = 0; row < ALONG_BINS; row++)
      for (let k = 0; k < bins; k++) {
        const [from, to] = [(k - 4.5) * bin, (k - 3.5) * bin];
        const share = RHO.reduce((t, rho, i) => (rho >= from && rho < to ? t + rows[row * COUNT + i] * STEP : t), 0);
        expect(Math.abs(share - gathered[row * bins + k] / total)).toBeLessThan(0.015);
      }
    expect(Math.max(...gathered) / total).toBeGreaterThan(0.05);
  });
});
