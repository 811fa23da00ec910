/**
 * Robust weighted fits of a constant or a straight line to offsets over time, with the noise that
 * real frames have: a scale that the stated σ may miss, heavy tails, and correlation from frame to
 * frame (seeing). Sources: Huber & Ronchetti, Robust Statistics (M-estimates, variance from ψ);
 * Beaton & Tukey 1974 (biweight); Geyer 1992, Practical Markov Chain Monte Carlo (initial positive
 * sequence for the long-run variance).
 */

export interface Point {
  timeMs: number;
  offsetPx: number;
  sigmaPx: number;
}

/** What is known of the noise, in units of the frames' stated σ. */
export interface Noise {
  /** True standard deviation of one frame over its stated σ. */
  scale: number;
  /** Variance of a mean of n frames × n over the stated variance: 1 for white noise as stated. */
  longRun: number;
}

export interface Fit {
  /** Value at the newest point's time, px. */
  value: number;
  /** Slope, px/s; 0 for a constant. */
  rate: number;
  valueVariance: number;
  rateVariance: number;
  /** Residual of each point over its stated σ. */
  residuals: number[];
  /** Newest-first lack of fit: largest |z| of the newest 4, 8, 16 … points' mean residual. */
  lackOfFit: number;
}

/** Beyond this many σ a point has no weight. */
export const WILD = 6;
const CLIP = 2.5;
/** Scatter over scatter between neighbours (1 for white noise) from which a wander counts as a turn; 3.2 is a correlation of 0.9. */
const SLOWEST = 4;

/** Points whose middle value a fit starts from; all of them would be sorted for each frame. */
const START_POINTS = 101;

const evenly = (): number => 1;
const biweight = (z: number): number => (Math.abs(z) < WILD ? (1 - (z / WILD) ** 2) ** 2 : 0);
const huber = (z: number): number => (Math.abs(z) < CLIP ? 1 : CLIP / Math.abs(z));

/** Middle value; NaN for none. */
export function median(values: readonly number[]): number {
  const sorted = Float64Array.from(values).sort();
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

/**
 * Fits a constant (degree 0) or a line (degree 1).
 * Huber's convex loss first, so that no start value matters; then the biweight, so that wild points do not either.
 * @param points at least degree + 2, oldest first
 */
export function fit(points: readonly Point[], degree: 0 | 1, noise: Noise): Fit {
  const n = points.length;
  const end = points[n - 1].timeMs;
  const times = points.map((p) => (degree ? (p.timeMs - end) / 1000 : 0));
  const every = Math.ceil(n / START_POINTS);
  let value = median(Array.from({ length: Math.ceil(n / every) }, (_, i) => points[i * every].offsetPx));
  let rate = 0;
  for (const [weigh, rounds] of [
    [huber, 12],
    [biweight, 8],
  ] as const) {
    for (let round = 0; round < rounds; round++) {
      const m = moments(points, times, { value, rate, scale: noise.scale }, weigh);
      if (m.det <= 0) break;
      const before = value;
      value = (m.stt * m.sy - m.st * m.sty) / m.det;
      rate = degree ? (m.s * m.sty - m.st * m.sy) / m.det : 0;
      if (Math.abs(value - before) < 3e-3 / Math.sqrt(m.s)) break;
    }
  }
  const residuals = points.map((p, i) => (p.offsetPx - value - rate * times[i]) / p.sigmaPx);
  const { s, st, stt, det } = moments(points, times, { value, rate, scale: 1 }, evenly);
  const variance = noise.longRun / det;

  // Var(mean of the newest m − fitted there) = longRun (1/m − h), h the fit's own share, for unit weights.
  // Beside that, most of the newest five being far off is no noise, however slowly it wanders.
  let lackOfFit = n < 10 ? 0 : Math.abs(median(residuals.slice(-5))) / noise.scale;
  let sum = 0;
  let sumT = 0;
  let sumW = 0;
  for (let i = n - 1, m = 1, next = 4; i >= 0 && m <= n / 2; i--, m++) {
    const w = points[i].sigmaPx ** -2;
    const z = residuals[i] / noise.scale;
    sum += huber(z) * z * noise.scale * Math.sqrt(w);
    sumT += w * times[i];
    sumW += w;
    if (m !== next) continue;
    next *= 2;
    const share = (stt * sumW * sumW - 2 * st * sumW * sumT + s * sumT * sumT) / det;
    const mean = Math.abs(sum) / Math.sqrt(noise.longRun * (sumW - share));
    if (mean <= lackOfFit) continue;
    // A few wild frames among the newest must not pass for a turn: most of them have to be off.
    const most = Math.abs(median(residuals.slice(-m))) * 1.6 * Math.sqrt(m / noise.longRun);
    lackOfFit = Math.max(lackOfFit, Math.min(mean, most));
  }
  return {
    value,
    rate,
    valueVariance: stt * variance,
    rateVariance: degree ? s * variance : 0,
    residuals,
    lackOfFit,
  };
}

/**
 * Weighted sums; for a constant (all times 0) they are arranged so that the same solution serves.
 * @param weigh a point's weight by its distance from `line`, in units of its σ
 */
function moments(
  points: readonly Point[],
  times: readonly number[],
  line: { value: number; rate: number; scale: number },
  weigh: (z: number) => number,
) {
  let [s, st, stt, sy, sty] = [0, 0, 0, 0, 0];
  let constant = true;
  for (let i = 0; i < points.length; i++) {
    const { offsetPx, sigmaPx } = points[i];
    const time = times[i];
    const w = weigh((offsetPx - line.value - line.rate * time) / (sigmaPx * line.scale)) / sigmaPx ** 2;
    s += w;
    st += w * time;
    stt += w * time ** 2;
    sy += w * offsetPx;
    sty += w * time * offsetPx;
    if (time !== 0) constant = false;
  }
  if (constant) stt = 1;
  return { s, st, stt, sy, sty, det: s * stt - st * st };
}

/**
 * Noise as the residuals of a line over these points show it.
 * `stationary`: that noise explains the slope, and it is not slower than noise is: then nothing was turned.
 */
export function learnNoise(points: readonly Point[], prior: Noise): Noise & { stationary: boolean } {
  const line = fit(points, 1, prior);
  const scale = Math.max(0.3, 1.4826 * median(line.residuals.map(Math.abs)));
  const refit = fit(points, 1, { scale, longRun: 1 });
  // Pseudo-values ψ/mean ψ′: their long-run variance is that of the estimate, whatever the tails.
  let slope = 0;
  const psi = refit.residuals.map((r) => {
    const z = r / scale;
    const q = (z / WILD) ** 2;
    if (q < 1) slope += (1 - q) * (1 - 5 * q);
    return r * biweight(z);
  });
  slope /= psi.length;
  const found = longRunVariance(psi, 2);
  // A variance found from few independent samples is itself uncertain, and a σ taken from it too small on
  // average (as Student's t says); its relative variance is about 2 (2M + 1)/n (Sokal 1997), M lags being summed.
  const variance = psi.reduce((sum, value) => sum + value * value, 0) / psi.length;
  const uncertain = 1 + (6 * (found / variance) + 2) / psi.length;
  const longRun = Math.max(0.25, (uncertain * found) / slope ** 2);
  const steps = points.slice(1).map((_, i) => Math.abs(refit.residuals[i + 1] - refit.residuals[i]));
  const quick = (1.4826 * median(steps)) / Math.SQRT2;
  const stationary = scale < SLOWEST * quick && refit.rate ** 2 < 2.5 ** 2 * refit.rateVariance * longRun;
  return { scale, longRun, stationary };
}

/**
 * γ₀ + 2 Σ γ_k of a series, summed over pairs of lags while they stay clear of their own noise, and
 * corrected for the `fitted` parameters taken out of it.
 */
export function longRunVariance(series: readonly number[], fitted: number): number {
  const n = series.length;
  const gamma = (lag: number) => {
    let sum = 0;
    for (let i = lag; i < n; i++) sum += series[i] * series[i - lag];
    return sum / n;
  };
  const variance = gamma(0);
  let total = variance;
  let lag = 1;
  for (; lag + 1 < n / 4; lag += 2) {
    const pair = gamma(lag) + gamma(lag + 1);
    if (pair < variance * Math.sqrt(2 / n)) break;
    total += 2 * pair;
  }
  return total / Math.max(0.25, 1 - (fitted * (2 * lag - 1)) / n);
}
