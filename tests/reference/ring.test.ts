/**
 * The ring's memory against statsmodels and SciPy on the same readings
 * (tests/reference/ring/fit.py; versions in the fixture).
 */
import { describe, expect, test } from 'vitest';
import { RingModel, type RingPoint, ringPriors, studentQuantile } from '../../core/notebook/ring.ts';
import fixture from './fixtures/ring.json' with { type: 'json' };

type Reading = Omit<RingPoint, 'id' | 'approach'> & { approach?: number | null };
const points = (readings: Reading[]): RingPoint[] =>
  readings.map((reading, i) => ({ ...reading, id: String(i), approach: (reading.approach ?? null) as 1 | -1 | null }));

/** Nothing known beforehand: then the model is least squares. */
const OPEN = { constant: 30, zoom: 0, perDegree: 1, halfBacklash: 0, noise: 0.1, noiseWorth: 0 };

/** E[w² z²] / E[w] for the weights of the model, by the table of the normal distribution (Abramowitz & Stegun 26.2). */
const WEIGHTED = (() => {
  const [density, tail] = [0.05399097, 0.02275013]; // at z = 2
  const overSquare = density / 2 - tail; // ∫ φ/z² from 2 on, by parts
  return (1 - 2 * tail - 4 * density + 32 * overSquare) / (1 - 2 * tail + 8 * overSquare);
})();

describe('a straight line through clean readings', () => {
  const { line } = fixture;
  const model = new RingModel(points(line.entries), OPEN);

  test('predictions are those of ordinary least squares', () => {
    line.queriesC.forEach((temperatureC, i) => {
      const { position, sigma } = model.predict({ focalMm: 24, temperatureC });
      expect(position).toBeCloseTo(line.mean[i], 4);
      // Without tails our noise is that of least squares over the square root of what normal tails would lack.
      expect(sigma).toBeCloseTo(Math.hypot(line.meanSe[i], line.scale) / Math.sqrt(WEIGHTED), 4);
    });
  });

  test('the slope and its standard error too', () => {
    const { value, sigma } = model.perDegree(24);
    expect(value).toBeCloseTo(line.slope, 5);
    expect(sigma).toBeCloseTo(line.slopeSe / Math.sqrt(WEIGHTED), 4);
  });

  test('no entry is trusted less', () => {
    expect(model.residuals.map(({ weight }) => weight)).toEqual(line.entries.map(() => 1));
  });
});

describe('gross misreadings among the readings', () => {
  const { contaminated } = fixture;
  const model = new RingModel(points(contaminated.entries), ringPriors(10));

  test('the same entries are doubted as by Tukey’s biweight', () => {
    const bad = model.residuals.flatMap(({ id, bad }) => (bad ? Number(id) : []));
    expect(bad).toEqual(contaminated.tukeyZeroWeight);
    expect(bad).toEqual(contaminated.wrong);
  });

  test('predictions stay with the M-estimators, where least squares goes astray', () => {
    const { ols, huber, tukey } = contaminated.predictions;
    contaminated.queriesC.forEach((temperatureC, i) => {
      const { position, sigma } = model.predict({ focalMm: 24, temperatureC });
      const near = sigma / 3;
      expect(Math.abs(position - tukey[i])).toBeLessThan(near);
      expect(Math.abs(position - huber[i])).toBeLessThan(near);
    });
    expect(Math.max(...ols.map((value, i) => Math.abs(value - tukey[i])))).toBeGreaterThan(3 * contaminated.tukeyScale);
    const slope = model.perDegree(24);
    expect(Math.abs(slope.value - contaminated.tukeySlope)).toBeLessThan(slope.sigma);
  });
});

describe('zoom, temperature and approach together', () => {
  test('predictions are those of generalised least squares with kriging', () => {
    const { priors, entries, expected } = fixture.zoom;
    // The noise is held where the fixture has it.
    const model = new RingModel(points(entries), { ...priors, constant: 30, noiseWorth: 1e12 });
    for (const { focalMm, temperatureC, approach, position, sigma } of expected) {
      const found = model.predict({ focalMm, temperatureC, approach: approach as 1 | -1 });
      expect(found.position).toBeCloseTo(position, 5);
      expect(found.sigma).toBeCloseTo(sigma, 5);
    }
  });
});

test.each(fixture.student)('Student’s quantile at z = %d with %d degrees of freedom', (z, freedom, quantile) => {
  expect(Math.abs(studentQuantile(z, freedom) / quantile - 1)).toBeLessThan(0.01);
});
