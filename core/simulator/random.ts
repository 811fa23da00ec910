/** Seeded random numbers, so that every simulated frame can be made again. */

export interface Random {
  /** Uniform in [0, 1). */
  uniform(): number;
  /** Standard normal deviate. */
  gauss(): number;
  /** Poisson deviate of the given mean (by a normal deviate above 60). */
  poisson(mean: number): number;
}

/** Generator of the "mulberry32" kind (public domain): 32 bits of state, one multiplication chain per number. */
export function seededRandom(seed: number): Random {
  let state = seed >>> 0;
  const uniform = () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  let spare: number | null = null;
  // Marsaglia's polar method.
  const gauss = () => {
    if (spare !== null) {
      const value = spare;
      spare = null;
      return value;
    }
    for (;;) {
      const x = 2 * uniform() - 1;
      const y = 2 * uniform() - 1;
      const r = x * x + y * y;
      if (r >= 1 || r === 0) continue;
      const scale = Math.sqrt((-2 * Math.log(r)) / r);
      spare = y * scale;
      return x * scale;
    }
  };
  const poisson = (mean: number) => {
    if (mean <= 0) return 0;
    if (mean > 60) return Math.max(0, Math.round(mean + Math.sqrt(mean) * gauss()));
    const limit = Math.exp(-mean);
    let count = 0;
    for (let product = uniform(); product > limit; product *= uniform()) count++;
    return count;
  };
  return { uniform, gauss, poisson };
}
