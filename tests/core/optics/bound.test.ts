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
function pattern(offset = 0): BoundInput {
  const zone = (angle: number, shift: number) => {
    const plane = new Float32Array(SIZE * SIZE);
    for (const side of [1, -1])
      gaussian(plane, CENTRE + side * DISTANCE * Math.cos(angle), CENTRE + side * DISTANCE * Math.sin(angle) + shift);
    return [plane];
  };
  const zones = { middle: zone(0, offset), plus: zone(OUTER, 0), minus: zone(-OUTER, 0) };
  const whole = new Float32Array(SIZE * SIZE).fill(3);
  for (const [plane] of Object.values(zones)) for (let i = 0; i < plane.length; i++) whole[i] += plane[i];
  gaussian(whole, CENTRE, CENTRE, 20 * FLUX);
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
    expect(offsetBoundPx({ ...input, whole: [whole] }) / Math.hypot(line, crossing)).toBeCloseTo(1, 1);
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

test('the derivative by the offset is the one that finite differences give', () => {
  // The bound takes the pixels' central differences for the change of the picture per px of offset.
  const step = 0.05;
  const [ahead, behind] = [pattern(step).whole[0], pattern(-step).whole[0]];
  const change = ahead.map((v, i) => (v - behind[i]) / (2 * step));
  const { middle } = pattern().zones;
  const plane = middle[0];
  let [difference, size] = [0, 0];
  for (let y = 1; y < SIZE - 1; y++)
    for (let x = 0; x < SIZE; x++) {
      const slope = -(plane[(y + 1) * SIZE + x] - plane[(y - 1) * SIZE + x]) / 2;
      difference += (slope - change[y * SIZE + x]) ** 2;
      size += change[y * SIZE + x] ** 2;
    }
  // The central difference over 2 px blurs a little: (1/6)·∂³, about 1/(2 s²) of it at s = 2.2 px.
  expect(Math.sqrt(difference / size)).toBeLessThan(0.12);
});

test('Monte Carlo: least squares on noisy frames scatters as the bound says', () => {
  // Gauss–Newton from the truth with the same unknowns, derivatives taken by finite differences of the model itself.
  const model = (p: number[]): Float64Array => {
    const plane = new Float32Array(SIZE * SIZE).fill(3 + p[9]);
    const [offset, sx, sy, turn, outer, scale] = p;
    [0, OUTER + outer, -OUTER - outer].forEach((angle, zone) => {
      const a = angle + turn;
      for (const side of [1, -1]) {
        const [lx, ly] = [side * DISTANCE * (1 + scale), zone === 0 ? offset : 0];
        const x = CENTRE + sx + lx * Math.cos(a) - ly * Math.sin(turn);
        const y = CENTRE + sy + lx * Math.sin(a) + ly * Math.cos(turn);
        gaussian(plane, x, y, FLUX * (1 + p[6 + zone]));
      }
    });
    gaussian(plane, CENTRE + sx, CENTRE + sy, 20 * FLUX);
    return Float64Array.from(plane);
  };
  const count = 10;
  const zero = new Array(count).fill(0);
  const truth = model(zero);
  const rows = zero.map((_, k) => {
    const h = 1e-2;
    const at = (delta: number) => model(zero.map((v, i) => (i === k ? v + delta : v)));
    const [up, down] = [at(h), at(-h)];
    return up.map((v, i) => (v - down[i]) / (2 * h));
  });
  const normal = rows.map((a) => rows.map((b) => a.reduce((sum, v, i) => sum + v * b[i], 0)));
  // Row of the pseudo-inverse that gives the offset.
  const lever = solved(normal, 0);
  const random = seededRandom(11);
  const trials = 400;
  let squares = 0;
  for (let t = 0; t < trials; t++) {
    const right = new Array(count).fill(0);
    for (let i = 0; i < truth.length; i++) {
      const noise = NOISE * random.gauss();
      for (let k = 0; k < count; k++) right[k] += rows[k][i] * noise;
    }
    squares += lever.reduce((sum, v, k) => sum + v * right[k], 0) ** 2;
  }
  // 400 trials know a standard deviation to 1/√800 = 3.5 %; 4 of these, and the slopes' own 1–3 %.
  const ratio = Math.sqrt(squares / trials) / offsetBoundPx(pattern());
  expect(ratio).toBeGreaterThan(0.84);
  expect(ratio).toBeLessThan(1.16);
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
