/** Seeded random numbers, so that every simulated frame can be made again. */

export interface Random {
  /** Uniform in [0, 1). */
  uniform(): number;
  /** Standard normal deviate. */
  gauss(): number;
  /** Poisson deviate of the given mean. */
  poisson(mean: number): number;
}

// Layers of the ziggurat: edges x, and the share of each layer that needs no test
// (Marsaglia & Tsang, J. Stat. Softw. 5(8), 2000, 128 layers).
const LAYERS = 128;
const TAIL = 3.442619855899;
const LAYER_AREA = 9.91256303526217e-3;
const edge = new Float64Array(LAYERS + 1);
const inner = new Float64Array(LAYERS);
{
  let density = Math.exp(-0.5 * TAIL * TAIL);
  edge[0] = LAYER_AREA / density;
  edge[1] = TAIL;
  for (let i = 2; i < LAYERS; i++) {
    edge[i] = Math.sqrt(-2 * Math.log(LAYER_AREA / edge[i - 1] + density));
    density = Math.exp(-0.5 * edge[i] ** 2);
  }
  for (let i = 0; i < LAYERS; i++) inner[i] = edge[i + 1] / edge[i];
}

/** Uniform numbers by a 32-bit counter and a multiplicative hash ("mulberry32", public domain). */
export function seededRandom(seed: number): Random {
  let state = seed >>> 0;
  const bits = () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return (t ^ (t >>> 14)) >>> 0;
  };
  const uniform = () => bits() / 4294967296;
  const gauss = () => {
    for (;;) {
      const word = bits();
      const layer = word & (LAYERS - 1);
      const part = (word >>> 7) / 16777216 - 1; // 25 bits to (−1, 1)
      if (Math.abs(part) < inner[layer]) return part * edge[layer];
      if (layer === 0) {
        for (;;) {
          const x = Math.log(1 - uniform()) / TAIL;
          if (-2 * Math.log(1 - uniform()) >= x * x) return part < 0 ? x - TAIL : TAIL - x;
        }
      }
      const value = part * edge[layer];
      const outside = Math.exp(-0.5 * (edge[layer] ** 2 - value * value));
      const inside = Math.exp(-0.5 * (edge[layer + 1] ** 2 - value * value));
      if (inside + uniform() * (outside - inside) < 1) return value;
    }
  };
  const poisson = (mean: number) => {
    if (mean <= 0) return 0;
    if (mean > 10) {
      // Normal deviate with the Poisson law's skewness (first Cornish–Fisher term).
      const z = gauss();
      return Math.max(0, Math.round(mean + Math.sqrt(mean) * z + (z * z - 1) / 6));
    }
    const limit = Math.exp(-mean);
    let count = 0;
    for (let product = uniform(); product > limit; product *= uniform()) count++;
    return count;
  };
  return { uniform, gauss, poisson };
}
