import { describe, expect, test } from 'vitest';
import {
  type IntensityPatch,
  orderAmplitude,
  orderIntensity,
  type PupilOptics,
  type PupilShape,
  pupilSizeFor,
  samplePupil,
} from '../../../core/optics/diffraction.ts';
import { depthOfFocusUm } from '../../../core/optics/formulas.ts';
import { zoneAt } from '../../../core/optics/mask.ts';
import { doubleSampling } from '../../../core/simulator/render.ts';

const openPupil: PupilShape = {
  layout: null,
  handedness: 1,
  ribD: 0,
  obstructionD: 0,
  blades: 0,
  vanes: 0,
  vaneWidthD: 0,
  bladeAngleDeg: 0,
  transmission: { middle: 1, plus: 1, minus: 1 },
};
const clear: PupilOptics = {
  duty: 1,
  periodsAcross: 40,
  outerAngleDeg: 20,
  phasePeriods: { middle: 0, plus: 0, minus: 0 },
  fNumber: 2.8,
  dzUm: 0,
  sphericalUm: 0,
};

/** Bessel's integral for J1 (Abramowitz & Stegun 9.1.21). */
function besselJ1(x: number): number {
  const steps = 400;
  let sum = 0;
  for (let i = 0; i < steps; i++) {
    const t = (Math.PI * (i + 0.5)) / steps;
    sum += Math.cos(t - x * Math.sin(t));
  }
  return sum / steps;
}

/** Airy pattern relative to its peak, ρ in λN (Born & Wolf §8.5.2). */
const airy = (rho: number) => (rho === 0 ? 1 : ((2 * besselJ1(Math.PI * rho)) / (Math.PI * rho)) ** 2);

const at = (patch: IntensityPatch, i: number, j: number) => patch.data[(j - patch.in) * patch.width + (i - patch.iu)];

/** Intensity anywhere, bilinear on a grid made four times finer. */
function sampler(patch: IntensityPatch): (u: number, n: number) => number {
  const fine = doubleSampling(doubleSampling(patch));
  return (u, n) => {
    const gu = u / fine.stepAiry - fine.iu;
    const gn = n / fine.stepAiry - fine.in;
    const [iu, iN] = [Math.floor(gu), Math.floor(gn)];
    const [fu, fn] = [gu - iu, gn - iN];
    const k = iN * fine.width + iu;
    const { data, width } = fine;
    return (
      (1 - fn) * ((1 - fu) * data[k] + fu * data[k + 1]) + fn * ((1 - fu) * data[k + width] + fu * data[k + width + 1])
    );
  };
}

describe('round pupil in focus', () => {
  const [patch] = orderIntensity(samplePupil(openPupil, 96), clear, [0], [0.55], 20);
  const peak = (Math.PI / 4) ** 2; // |area|²

  test('is the Airy pattern (Born & Wolf §8.5.2)', () => {
    expect(at(patch, 0, 0)).toBeCloseTo(peak, 3);
    for (let i = 0; i <= 18; i++)
      for (const j of [0, 4, 9])
        expect(Math.abs(at(patch, i, j) / peak - airy(Math.hypot(i, j) / 3))).toBeLessThan(0.001);
  });

  test('first zero at 1.22 λN, first bright ring 1.75 % of the peak (Born & Wolf table 8.2)', () => {
    // The amplitude passes zero in a straight line between two samples either side.
    const [before, after] = [Math.hypot(2, 3) / 3, 4 / 3];
    const [a, b] = [Math.sqrt(at(patch, 2, 3)), Math.sqrt(at(patch, 4, 0))];
    expect(Math.abs((before * b + after * a) / (a + b) - 1.2197)).toBeLessThan(0.003);
    const intensity = sampler(patch);
    let ring = 0;
    for (let rho = 1.4; rho < 2; rho += 0.005) ring = Math.max(ring, intensity(rho, 0) / peak);
    expect(ring).toBeCloseTo(0.0175, 3);
  });

  test('83.8 % of the light lies within the first dark ring, 91.0 % within the second (Born & Wolf §8.5.2)', () => {
    const intensity = sampler(patch);
    const within = (radius: number) => {
      let sum = 0;
      const step = 0.02;
      for (let u = -radius; u < radius; u += step)
        for (let n = -radius; n < radius; n += step)
          if (u * u + n * n < radius * radius) sum += intensity(u, n) * step * step;
      return sum / (Math.PI / 4);
    };
    expect(within(1.2197)).toBeCloseTo(0.838, 2);
    expect(within(2.2331)).toBeCloseTo(0.91, 2);
  });

  test('keeps the light (Parseval): all but the tails of 1/(π² ρ) · 2 beyond 20 λN', () => {
    const total = patch.data.reduce((sum, value) => sum + value, 0) * patch.stepAiry ** 2;
    expect(total / (Math.PI / 4)).toBeGreaterThan(0.985);
    expect(total / (Math.PI / 4)).toBeLessThan(1.001);
  });
});

describe('defocus and aberration', () => {
  test('a quarter wave, dz = 2λN², leaves 81 % on the axis: (sin π/4 / π/4)² (Born & Wolf §8.8, §9.3)', () => {
    const optics = { ...clear, dzUm: depthOfFocusUm(2.8) };
    const [patch] = orderIntensity(samplePupil(openPupil, 96), optics, [0], [0.55], 4);
    expect(at(patch, 0, 0) / (Math.PI / 4) ** 2).toBeCloseTo((Math.sin(Math.PI / 4) / (Math.PI / 4)) ** 2, 3);
  });

  test('spherical aberration of λ/4 at best focus (defocus −W040) leaves 1 − (2π/λ)² W040²/180 · … ≈ 0.986 of Maréchal’s formula (Born & Wolf §9.3)', () => {
    // Variance of r⁴ − r² over the unit disc is 1/180.
    const waves = 0.25;
    const optics = { ...clear, sphericalUm: waves * 0.55, dzUm: -waves * 0.55 * 8 * 2.8 ** 2 };
    const [patch] = orderIntensity(samplePupil(openPupil, 96), optics, [0], [0.55], 4);
    expect(at(patch, 0, 0) / (Math.PI / 4) ** 2).toBeCloseTo(1 - (2 * Math.PI * waves) ** 2 / 180, 3);
  });

  test('far from focus the blur disc is dz / N wide: a shadow’s edge stands at a quarter of full light (Born & Wolf §8.7.3)', () => {
    const dzUm = 240;
    const optics = { ...clear, dzUm };
    // Several wavelengths wash out the rings inside.
    const waves = [0.45, 0.48, 0.51, 0.54, 0.57, 0.6, 0.63];
    const pupil = samplePupil(openPupil, pupilSizeFor(optics, 0.45, 10));
    const samplers = orderIntensity(pupil, optics, [0], waves, 10).map(sampler);
    const profile = (um: number) =>
      samplers.reduce((sum, intensity, w) => {
        const airyUm = waves[w] * 2.8;
        return sum + intensity(um / airyUm, 0) / airyUm ** 2;
      }, 0) / waves.length;
    const full = (dzUm / 2.8) ** -2; // unit flux density per D² spread over (dz/N)²
    let edge = 0;
    for (let um = 0; um < 60; um += 0.1) if (profile(um) > full / 4) edge = um;
    expect((2 * edge) / (dzUm / 2.8)).toBeCloseTo(1, 1);
    expect(Math.abs((2 * edge) / (dzUm / 2.8) - 1)).toBeLessThan(0.015);
  });
});

describe('gratings', () => {
  test('order m has amplitude duty · sinc(m duty); even orders vanish at half duty (Goodman §4.4)', () => {
    expect(orderAmplitude(0, 0.5)).toBe(0.5);
    expect(orderAmplitude(1, 0.5)).toBeCloseTo(1 / Math.PI, 12);
    expect(orderAmplitude(-3, 0.5)).toBeCloseTo(-1 / (3 * Math.PI), 12);
    expect(orderAmplitude(2, 0.5)).toBeCloseTo(0, 12);
    expect(orderAmplitude(2, 0.4)).not.toBeCloseTo(0, 2);
    // Parseval over all orders: the open share of the light, duty.
    let sum = 0;
    for (let m = -4000; m <= 4000; m++) sum += orderAmplitude(m, 0.4) ** 2;
    expect(sum).toBeCloseTo(0.4, 4);
  });

  test.each([1, -1, 3])('order %i of the middle grating stands at m λ f / p = m (D/p) λN', (order) => {
    const shape: PupilShape = { ...openPupil, layout: 'half', transmission: { middle: 1, plus: 0, minus: 0 } };
    const [patch] = orderIntensity(samplePupil(shape, 96), { ...clear, duty: 0.5 }, [order], [0.55], 12);
    const intensity = sampler(patch);
    let [best, bestU] = [0, 0];
    for (let u = 40 * order - 2; u < 40 * order + 2; u += 0.02)
      if (intensity(u, 0) > best) [best, bestU] = [intensity(u, 0), u];
    expect(Math.abs(bestU - 40 * order)).toBeLessThan(0.05);
    expect(best).toBeCloseTo((orderAmplitude(order, 0.5) * (Math.PI / 8)) ** 2, 3);
  });

  // The independent way: a pupil with real opaque bars, point-sampled, and the plain Fourier sum.
  test.each([
    { name: 'in focus', dzUm: 0, sphericalUm: 0, duty: 0.5, order: 1 },
    { name: 'defocused, with aberration, other duty, other side', dzUm: 14, sphericalUm: 0.1, duty: 0.4, order: -1 },
  ])('first orders equal those of a pupil with real bars: $name', ({ dzUm, sphericalUm, duty, order }) => {
    const wavelengthUm = 0.55;
    const optics: PupilOptics = { ...clear, duty, dzUm, sphericalUm };
    const shape: PupilShape = { ...openPupil, layout: 'half', ribD: 0.02 };
    const pupil = samplePupil(shape, 256);
    const others = [-2, -1, 0, 1, 2, 3].filter((m) => m !== order && m !== -order).map((m) => (order > 0 ? m : -m));
    const [alone] = orderIntensity(pupil, optics, [order], [wavelengthUm], 16);
    const [together] = orderIntensity(pupil, optics, [order, ...others], [wavelengthUm], 16);

    const size = 1400;
    const barsRe = new Float64Array(size * size);
    const barsIm = new Float64Array(size * size);
    for (let row = 0; row < size; row++)
      for (let col = 0; col < size; col++) {
        const u = (col + 0.5) / size - 0.5;
        const n = (row + 0.5) / size - 0.5;
        const zone = zoneAt('half', 1, 0.02, u, n);
        if (!zone) continue;
        const angle = ((zone === 'middle' ? 0 : zone === 'plus' ? 20 : -20) * Math.PI) / 180;
        const period = 40 * (u * Math.cos(angle) + n * Math.sin(angle));
        if (Math.abs(period - Math.round(period)) > duty / 2) continue;
        const rr = u * u + n * n;
        const phase =
          2 * Math.PI * ((rr * dzUm) / (2 * wavelengthUm * 2.8 ** 2) + (16 * rr * rr * sphericalUm) / wavelengthUm);
        barsRe[row * size + col] = Math.cos(phase) / size ** 2;
        barsIm[row * size + col] = Math.sin(phase) / size ** 2;
      }
    /** The pattern along one column of the window. */
    const column = (u: number, ns: number[]) => {
      const lineRe = new Float64Array(size);
      const lineIm = new Float64Array(size);
      const cos = Float64Array.from({ length: size }, (_, j) => Math.cos(2 * Math.PI * u * ((j + 0.5) / size - 0.5)));
      const sin = Float64Array.from({ length: size }, (_, j) => -Math.sin(2 * Math.PI * u * ((j + 0.5) / size - 0.5)));
      for (let row = 0; row < size; row++)
        for (let col = 0, k = row * size; col < size; col++, k++) {
          lineRe[row] += barsRe[k] * cos[col] - barsIm[k] * sin[col];
          lineIm[row] += barsRe[k] * sin[col] + barsIm[k] * cos[col];
        }
      return ns.map((n) => {
        let [re, im] = [0, 0];
        for (let row = 0; row < size; row++) {
          const angle = -2 * Math.PI * n * ((row + 0.5) / size - 0.5);
          re += lineRe[row] * Math.cos(angle) - lineIm[row] * Math.sin(angle);
          im += lineRe[row] * Math.sin(angle) + lineIm[row] * Math.cos(angle);
        }
        return re * re + im * im;
      });
    };
    const rows = Array.from({ length: 31 }, (_, j) => 2 * (j - 15));
    const peak = alone.data.reduce((a, b) => Math.max(a, b), 0);
    let worst = 0;
    let worstAlone = 0;
    let seen = 0;
    for (let i = order * 120 - 14; i <= order * 120 + 10; i += 2) {
      const brute = column(
        i / 3,
        rows.map((j) => j / 3),
      );
      rows.forEach((j, k) => {
        worst = Math.max(worst, Math.abs(brute[k] - at(together, i, j)) / peak);
        worstAlone = Math.max(worstAlone, Math.abs(brute[k] - at(alone, i, j)) / peak);
        seen = Math.max(seen, brute[k] / peak);
      });
    }
    expect(seen).toBeGreaterThan(0.5); // the window holds the spots
    expect(worst).toBeLessThan(0.005);
    // Leaving out the other orders' tails, as the simulator does, costs a few per cent of the peak at most.
    expect(worstAlone).toBeLessThan(0.06);
  });
});
