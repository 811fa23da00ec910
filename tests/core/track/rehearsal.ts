import type { Measurement, Reading, ReasonCode } from '../../../core/measurement.ts';

/** Repeatable numbers in [0, 1): a 32-bit counter through a mixing function. */
export function uniform(seed: number): () => number {
  let state = Math.imul(seed + 1, 0x9e3779b9);
  return () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 2 ** 32;
  };
}

export type Noise = (random: () => number) => () => number;

const gauss = (random: () => number) => Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());

/** Kinds of noise, in units of the stated σ. */
export const noises = {
  white: (random) => () => gauss(random),
  /** Student's t with 3 degrees of freedom, unit variance: heavy tails. */
  heavy: (random) => () => gauss(random) / Math.hypot(gauss(random), gauss(random), gauss(random)),
  /** Twice what the frames state. */
  understated: (random) => () => 2 * gauss(random),
  /** Seeing: each frame keeps half, or eight tenths, of the one before. */
  seeing: (random) => correlated(random, 0.5),
  slowSeeing: (random) => correlated(random, 0.8),
  /** One frame in fifty is wild by 20 to 50 σ, always to the same side. */
  wild: (random) => () => (random() < 0.02 ? 20 + 30 * random() : gauss(random)),
} satisfies Record<string, Noise>;

function correlated(random: () => number, rho: number): () => number {
  let value = gauss(random);
  return () => (value = rho * value + Math.sqrt(1 - rho * rho) * gauss(random));
}

/** A measurement as the vision worker gives it, star position never twice the same. */
export function measurement(change: Partial<Measurement> = {}): Measurement {
  return {
    status: 'measured',
    star: { xPx: 500, yPx: 300, saturated: false },
    offsetPx: 0,
    offsetSigmaPx: 0.1,
    middleAngleDeg: 10,
    outerAngleDeg: 20,
    outerAngleSigmaDeg: 0.1,
    spotDistancePx: 60,
    spotDistanceSigmaPx: 0.1,
    defocusUm: null,
    defocusSigmaUm: null,
    k: null,
    pixelUm: null,
    pixelSigmaUm: 0,
    snr: 20,
    spots: [],
    merged: false,
    ...change,
  };
}

export const noPattern = (reason: ReasonCode): Reading => ({ status: 'no-pattern', reason, star: null });

/** Angle as a single frame gives it, in (−90, 90], and the sign that its offset takes with it. */
export function normalised(angleDeg: number): { middleAngleDeg: number; sign: 1 | -1 } {
  const turns = Math.ceil((angleDeg - 90) / 180);
  return { middleAngleDeg: angleDeg - 180 * turns, sign: turns % 2 === 0 ? 1 : -1 };
}
