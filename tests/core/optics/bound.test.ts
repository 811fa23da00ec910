/** The Cramér–Rao bound against a closed form, finite differences and Monte Carlo. */
import { describe, expect, test } from 'vitest';
import { type BoundInput, offsetBoundPx } from '../../../core/optics/bound.ts';
import { seededRandom } from '../../../core/simulator/random.ts';

const SIZE = 121;
const CENTRE = 60;
const SPOT_SIGMA = 2.2;
const DISTANCE = 40;
const FLUX = 1000;
const NOISE = 0.5;
const OUTER = (20 * Math.PI) / 180;

/** A Gaussian spot of flux `FLUX`, standard deviation `sigma`. */
function gaussian(plane: Float32Array, x0: number, y0: number, flux = FLUX, sigma = SPOT_SIGMA): void {
  for (let y = 0; y < SIZE; y++)
    for (let x = 0; x < SIZE; x++) {
      const rr = (x - x0) ** 2 + (y - y0) ** 2;
      plane[y * SIZE + x] += (flux / (2 * Math.PI * sigma ** 2)) * Math.exp(-rr / (2 * sigma ** 2));
    }
}

/** A pattern of six Gaussian spots whose middle pair alone moves with the offset, and a star. */
function pattern(sigma = SPOT_SIGMA): BoundInput {
  const zone = (angle: number) => {
    const plane = new Float32Array(SIZE * SIZE);
    const [x, y] = [DISTANCE * Math.cos(angle), DISTANCE * Math.sin(angle)];
    for (const side of [1, -1]) gaussian(plane, CENTRE + side * x, CENTRE + side * y, FLUX, sigma);
    return [plane];
  };
  const zones = { middle: zone(0), plus: zone(OUTER), minus: zone(-OUTER) };
  const whole = new Float32Array(SIZE * SIZE).fill(3);
  for (const [plane] of Object.values(zones)) for (let i = 0; i < plane.length; i++) whole[i] += plane[i];
  gaussian(whole, CENTRE, CENTRE, 20 * FLUX, sigma);
  return {
    widthPx: SIZE,
    heightPx: SIZE,
    whole: [whole],
    zones,
    shift: { middle: { x: 0, y: 1 }, plus: { x: 0, y: 0 }, minus: { x: 0, y: 0 } },
    starXPx: CENTRE,
    starYPx: CENTRE,
    variance: () => NOISE ** 2,
  };
}

/**
 * Smallest σ of one coordinate of a Gaussian spot in white noise σ_n per pixel, sampled finely enough:
 * σ_x = √(8π) s² σ_n / F (Winick, Cramér–Rao lower bounds on CCD position estimation, JOSA A 3, 1986,
 * background-limited case; from memory, and as the integral (F²/σ_n²) ∫ (∂g/∂x)² = F² / (8π s⁴ σ_n²)).
 */
const ONE_SPOT = (Math.sqrt(8 * Math.PI) * SPOT_SIGMA ** 2 * NOISE) / FLUX;

describe('closed form', () => {
  test('six spots, star known to perfection: middle line and crossing as six single spots have them', () => {
    // Each end of a line is known to ONE_SPOT across it. Middle line at the star: mean of two ends. The
    // crossing of the outer lines along n: each line's place across itself, over cos θ, mean of the two.
    const line = ONE_SPOT / Math.SQRT2;
    const crossing = line / Math.SQRT2 / Math.cos(OUTER);
    const bound = offsetBoundPx(pattern());
    // The star's own place, told 20 times better, and the knowledge that outer lines meet there help: the
    // bound lies between the middle line alone and both.
    expect(bound).toBeGreaterThan(0.97 * line);
    expect(bound).toBeLessThan(1.02 * Math.hypot(line, crossing));
  });

  test('without the star only the six spots tell', () => {
    const input = pattern();
    const whole = input.whole[0].map(() => 3);
    for (const [plane] of Object.values(input.zones)) for (let i = 0; i < plane.length; i++) whole[i] += plane[i];
    const line = ONE_SPOT / Math.SQRT2;
    const crossing = line / Math.SQRT2 / Math.cos(OUTER);
    // Here the outer lines are rigidly joined to the place that also moves the middle line.
    expect(offsetBoundPx({ ...input, whole: [whole] })).toBeGreaterThan(line);
    expect(Math.abs(offsetBoundPx({ ...input, whole: [whole] }) / Math.hypot(line, crossing) - 1)).toBeLessThan(0.03);
  });

  test('σ is proportional to the noise, and inversely to the light where the sky rules', () => {
    const input = pattern();
    const base = offsetBoundPx(input);
    expect(offsetBoundPx({ ...input, variance: () => (3 * NOISE) ** 2 }) / base).toBeCloseTo(3, 6);
    const times = (planes: readonly Float32Array[], factor: number) =>
      planes.map((plane) => plane.map((v) => v * factor));
    const { middle, plus, minus } = input.zones;
    const brighter = {
      ...input,
      whole: times(input.whole, 5),
      zones: { middle: times(middle, 5), plus: times(plus, 5), minus: times(minus, 5) },
    };
    expect(offsetBoundPx(brighter) / base).toBeCloseTo(1 / 5, 6);
  });

  test('three equal channels are worth √3 of one', () => {
    const one = pattern();
    const thrice = <T>(planes: readonly T[]) => [planes[0], planes[0], planes[0]];
    const three: BoundInput = {
      ...one,
      whole: thrice(one.whole),
      zones: { middle: thrice(one.zones.middle), plus: thrice(one.zones.plus), minus: thrice(one.zones.minus) },
    };
    expect(offsetBoundPx(one) / offsetBoundPx(three)).toBeCloseTo(Math.sqrt(3), 3);
  });

  test('nothing but saturated pixels: not determined', () => {
    const input = pattern();
    expect(offsetBoundPx({ ...input, variance: () => Infinity })).toBeNaN();
  });
});

/** Unknowns of the same pattern: offset, star (2), turn, outer angle, scale, light of each zone (3), background. */
const UNKNOWNS = 10;

/** The pattern for these deviations of the unknowns. */
function drawn(deviations: number[], sigma: number): Float64Array {
  const [offset, sx, sy, turn, outer, scale] = deviations;
  const plane = new Float32Array(SIZE * SIZE).fill(3 + deviations[9]);
  [0, OUTER + outer, -OUTER - outer].forEach((angle, zone) => {
    const a = angle + turn;
    for (const side of [1, -1]) {
      const [lx, ly] = [side * DISTANCE * (1 + scale), zone === 0 ? offset : 0];
      const x = CENTRE + sx + lx * Math.cos(a) - ly * Math.sin(turn);
      const y = CENTRE + sy + lx * Math.sin(a) + ly * Math.cos(turn);
      gaussian(plane, x, y, FLUX * (1 + deviations[6 + zone]), sigma);
    }
  });
  gaussian(plane, CENTRE + sx, CENTRE + sy, 20 * FLUX, sigma);
  return Float64Array.from(plane);
}

/** The pattern's change with each unknown, by drawing it anew on both sides. */
function derivatives(sigma: number): Float64Array[] {
  const h = 1e-2;
  return Array.from({ length: UNKNOWNS }, (_, k) => {
    const at = (delta: number) =>
      drawn(
        Array.from({ length: UNKNOWNS }, (_, i) => (i === k ? delta : 0)),
        sigma,
      );
    const [up, down] = [at(h), at(-h)];
    return up.map((value, i) => (value - down[i]) / (2 * h));
  });
}

/** By the unknowns' normal equations: what a residual at each unknown's derivative adds to the offset. */
function leverOf(rows: Float64Array[]): number[] {
  return solved(
    rows.map((a) => rows.map((b) => a.reduce((sum, value, i) => sum + value * b[i], 0))),
    0,
  );
}

// A picture's own pixels stand for its change with the unknowns; here it is drawn anew. Narrow spots are the hard case.
test.each([
  [2.2, 0.002],
  [1.4, 0.005],
  [1, 0.03],
  [0.8, 0.05],
])('derivatives by finite differences of the pattern itself give the same: spots of σ %f px', (sigma, tolerance) => {
  const exact = NOISE * Math.sqrt(leverOf(derivatives(sigma))[0]);
  expect(Math.abs(offsetBoundPx(pattern(sigma)) / exact - 1)).toBeLessThan(tolerance);
});

/** Trials of what follows: they know a standard deviation to 1/√800, 3.5 %; four of these are let pass. */
const TRIALS = 400;
const LET_PASS = 4 / Math.sqrt(2 * TRIALS);

test('Monte Carlo: least squares on noisy frames scatters as the bound says', () => {
  const rows = derivatives(SPOT_SIGMA);
  const lever = leverOf(rows);
  const random = seededRandom(11);
  let squares = 0;
  for (let t = 0; t < TRIALS; t++) {
    const right = new Array(UNKNOWNS).fill(0);
    for (let i = 0; i < rows[0].length; i++) {
      const noise = NOISE * random.gauss();
      for (let k = 0; k < UNKNOWNS; k++) right[k] += rows[k][i] * noise;
    }
    squares += lever.reduce((sum, value, k) => sum + value * right[k], 0) ** 2;
  }
  const ratio = Math.sqrt(squares / TRIALS) / offsetBoundPx(pattern());
  expect(Math.abs(ratio - 1)).toBeLessThan(LET_PASS);
});

test('Monte Carlo: a Gaussian spot’s place by least squares scatters as the closed form says', () => {
  const [size, sigma] = [25, SPOT_SIGMA];
  const random = seededRandom(12);
  let squares = 0;
  for (let t = 0; t < TRIALS; t++) {
    const [x0, y0] = [12 + random.uniform() - 0.5, 12 + random.uniform() - 0.5];
    const spot = (x: number, y: number, px: number, py: number) =>
      Math.exp(-((px - x) ** 2 + (py - y) ** 2) / (2 * sigma ** 2)) / (2 * Math.PI * sigma ** 2);
    const seen = Float64Array.from(
      { length: size * size },
      (_, i) => FLUX * spot(x0, y0, i % size, Math.floor(i / size)) + NOISE * random.gauss(),
    );
    // Gauss–Newton from the middle; flux, x and y are nearly independent of each other.
    let [flux, x, y] = [FLUX, 12, 12];
    for (let round = 0; round < 8; round++) {
      const top = [0, 0, 0];
      const bottom = [0, 0, 0];
      for (let i = 0; i < seen.length; i++) {
        const [px, py] = [i % size, Math.floor(i / size)];
        const g = spot(x, y, px, py);
        const residual = seen[i] - flux * g;
        [g, (flux * g * (px - x)) / sigma ** 2, (flux * g * (py - y)) / sigma ** 2].forEach((by, k) => {
          top[k] += by * residual;
          bottom[k] += by * by;
        });
      }
      [flux, x, y] = [flux + top[0] / bottom[0], x + top[1] / bottom[1], y + top[2] / bottom[2]];
    }
    squares += (x - x0) ** 2;
  }
  expect(Math.abs(Math.sqrt(squares / TRIALS) / ONE_SPOT - 1)).toBeLessThan(LET_PASS);
});

/** Column `k` of the inverse, by Gauss–Jordan with scaling. */
function solved(matrix: number[][], k: number): number[] {
  const n = matrix.length;
  const s = matrix.map((row, i) => 1 / Math.sqrt(row[i]));
  const a = matrix.map((row, i) => [...row.map((v, j) => v * s[i] * s[j]), i === k ? s[i] : 0]);
  for (let i = 0; i < n; i++) {
    const pivot = a[i][i];
    a[i] = a[i].map((v) => v / pivot);
    for (let j = 0; j < n; j++) if (j !== i) a[j] = a[j].map((v, c) => v - a[j][i] * a[i][c]);
  }
  return a.map((row, i) => row[n] * s[i]);
}
