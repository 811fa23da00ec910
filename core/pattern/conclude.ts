/** What a finished fit says: the offset and its σ, the spots, and what speaks for or against it. */
import type { ZoneShape } from '../optics/mask.ts';
import { ACROSS, type Equations, eliminated, forEachRow, OUTER_ANGLE, PARAMETERS } from './equations.ts';
import { type Lines, type Model, offsetByAcross, offsetOf, variance, widthOf, ZONES } from './model.ts';
import type { Samples } from './samples.ts';
import { invert } from './solve.ts';
import { forEachResidual, lightAt, spectrumSeen } from './terms.ts';

export interface Fit {
  lines: Lines;
  /** Zone shape the profiles were made for. */
  shape: ZoneShape;
  offsetPx: number;
  offsetSigmaPx: number;
  /** Radial centroid of the light as the green channel sees it, from the origin, and its σ, px. */
  distancePx: number;
  distanceSigmaPx: number;
  /** σ of the angle between outer lines and the middle one, radians. */
  outerSigma: number;
  spots: SpotFit[];
  /**
   * Ratio of the red channel's mean radius to the blue one's, and its σ: a grating spreads starlight
   * to about 1.25; lamps, dots and spikes stay at 1. NaN for a grey picture.
   */
  dispersion: number;
  dispersionSigma: number;
  /** Standard deviation of the green light along the radius, relative to its distance, without the blur. */
  radialSpread: number;
  /** Sum of squared residuals over the sky's noise: compares fits of the same samples. */
  misfit: number;
  /** Defocus in Q = dz / λN² that the profiles were made for, up to the mask's orientation. */
  q: number;
  /** Share of the light's variance that the model explains, 0…1. */
  explained: number;
}

export interface SpotFit {
  zone: number;
  side: 1 | -1;
  /** Flux relative to the zone's common amplitude, and its σ. */
  ratio: number;
  ratioSigma: number;
  /** Peak over the sky's noise per pixel, all channels together. */
  snr: number;
  /** Share of its samples that are saturated. */
  saturated: number;
}

/**
 * Share of the offset that the model may be wrong by beyond what its residuals show: gratings' orders are fields,
 * and where two zones' spots stand close their far light interferes, by phases that nobody knows.
 */
const OFFSET_TRUST = 0.002;

export function conclude(samples: Samples, model: Model, equations: Equations): Fit | null {
  const { lines, profile, noise } = model;
  const reduced = eliminated(equations, 0);
  const covariance = reduced && invert(reduced.matrix);
  if (!covariance) return null;
  /** σ of the linear combination of the geometry's parameters that `gradient` gives. */
  const sigmaOf = (gradient: Float64Array) => {
    const combination = Float64Array.from(covariance, (line) =>
      line.reduce((sum, value, q) => sum + value * gradient[q], 0),
    );
    const bySpectrum = reduced.answers.map(({ byGeometry }) => {
      const nodes = new Float64Array(profile.nodes);
      byGeometry.forEach((column, p) => {
        for (let k = 0; k < nodes.length; k++) nodes[k] -= column[k] * combination[p];
      });
      return nodes;
    });
    // Of few or faint samples the residuals alone say too little.
    const byNoise = combination.reduce((sum, value, p) => sum + value * gradient[p], 0);
    return Math.sqrt(Math.max(byNoise, varianceBySamples(samples, model, combination, bySpectrum)));
  };
  const byOffset = new Float64Array(PARAMETERS);
  const [, plus, minus] = lines.across;
  byOffset.set(offsetByAcross(lines.outer), ACROSS);
  byOffset[OUTER_ANGLE] = (-(plus + minus) / 2) * (Math.sin(lines.outer) / Math.cos(lines.outer) ** 2);
  const byOuter = new Float64Array(PARAMETERS);
  byOuter[OUTER_ANGLE] = 1;

  const colour = (channel: number) => {
    const values = profile.values.filter((_, i) => i % samples.channels === channel);
    return centroid(model, values, equations.spectrum[channel].own);
  };
  const [red, blue] = [colour(0), colour(samples.channels - 1)];
  const green = samples.green
    ? centroid(model, spectrumSeen(model, samples.green, 1), equations.spectrum[0].own)
    : colour(samples.channels >> 1);
  const offsetSigmaPx = Math.hypot(sigmaOf(byOffset), OFFSET_TRUST * offsetOf(lines));
  // Nothing lit at any radius, or no sample told anything: this is no pattern, and would spoil all it is joined with.
  if (!Number.isFinite(green.r + green.sigma + offsetSigmaPx)) return null;
  let light = 0;
  let left = 0;
  forEachResidual(samples, model, (residual, model, channel) => {
    light += (residual + model) ** 2 / noise.sky[channel] ** 2;
    left += residual ** 2 / noise.sky[channel] ** 2;
  });
  return {
    lines,
    shape: model.known.shape,
    offsetPx: offsetOf(lines),
    offsetSigmaPx,
    distancePx: green.r,
    distanceSigmaPx: green.sigma,
    outerSigma: sigmaOf(byOuter),
    dispersion: samples.channels === 1 ? Number.NaN : red.r / blue.r,
    radialSpread: Math.sqrt(Math.max(0, green.spread ** 2 - widthOf(lines) ** 2)) / green.r,
    dispersionSigma: Math.hypot(red.sigma, blue.sigma) / blue.r,
    spots: spotFits(samples, model),
    misfit: left,
    q: model.cross.defocusQ(offsetOf(lines), lines.airyPx),
    explained: 1 - left / Math.max(1e-12, light),
  };
}

/** Residuals of samples up to this many blocks apart are taken as related. */
const RELATED_BLOCKS = 2;

/**
 * Variance of a linear combination of the parameters, from what each sample's residual contributes to it. No
 * noise model is asked: neighbours are related by a colour mosaic's interpolation, enlarging and JPEG's
 * blocks (Conley, J. Econometrics 92, 1 (1999), Bartlett weights).
 * @param combination covariance of the geometry times the combination's gradient
 * @param bySpectrum the same for each channel's spectrum nodes
 */
function varianceBySamples(
  samples: Samples,
  model: Model,
  combination: Float64Array,
  bySpectrum: Float64Array[],
): number {
  const pull = new Float64Array(samples.count);
  let independent = 0;
  forEachRow(samples, model, (row, residual, weight, i, c) => {
    if (row.used === 0) return;
    let share = 0;
    for (const p of row.active) share += row.geometry[p] * combination[p];
    for (let k = 0; k < row.used; k++) share += row.nodeWeight[k] * bySpectrum[c][row.nodeAt[k]];
    const own = weight * share * residual;
    pull[i] += own;
    independent += own * own;
  });
  // Samples on the grid of blocks they were taken from; 0 where there is none.
  const [left, top] = [Math.min(...samples.x), Math.min(...samples.y)];
  const column = (i: number) => Math.round((samples.x[i] - left) / samples.blockPx) + RELATED_BLOCKS;
  const line = (i: number) => Math.round((samples.y[i] - top) / samples.blockPx) + RELATED_BLOCKS;
  let columns = 0;
  let lines = 0;
  for (let i = 0; i < samples.count; i++) {
    columns = Math.max(columns, column(i) + RELATED_BLOCKS + 1);
    lines = Math.max(lines, line(i) + RELATED_BLOCKS + 1);
  }
  const grid = new Float64Array(columns * lines);
  for (let i = 0; i < samples.count; i++) grid[line(i) * columns + column(i)] = pull[i];
  let related = 0;
  for (let i = 0; i < samples.count; i++) {
    const at = line(i) * columns + column(i);
    if (grid[at] === 0) continue;
    for (let dy = -RELATED_BLOCKS; dy <= RELATED_BLOCKS; dy++)
      for (let dx = -RELATED_BLOCKS; dx <= RELATED_BLOCKS; dx++) {
        const near = (1 - Math.abs(dx) / (RELATED_BLOCKS + 1)) * (1 - Math.abs(dy) / (RELATED_BLOCKS + 1));
        related += near * grid[at] * grid[at + dy * columns + dx];
      }
  }
  return Math.max(independent, related);
}

interface Centroid {
  /** Mean radius of a channel's light, its σ, and the light's standard deviation along the radius. */
  r: number;
  sigma: number;
  spread: number;
}

/** The wings' noise would outweigh what little light is there. */
const LEAST_OF_PEAK = 0.15;
/** A node about which the samples say less than this, of what they say of the best one, is hardly in the frame. */
const LEAST_KNOWN = 1e-4;

/** @param own equations of the channel's spectrum */
function centroid({ profile, lines }: Model, values: Float64Array, own: Float64Array[]): Centroid {
  const { from, step } = profile;
  const known = Math.max(...own.map((line, k) => line[k]));
  const light = values.map((value, k) => (own[k][k] > LEAST_KNOWN * known ? value : 0));
  const least = LEAST_OF_PEAK * Math.max(...light);
  let sum = 0;
  let moment = 0;
  let square = 0;
  light.forEach((value, k) => {
    if (value < least) return;
    sum += value;
    moment += value * (from + k * step);
    square += value * (from + k * step) ** 2;
  });
  const r = sum > 0 ? moment / sum : Number.NaN;
  let variance = 0;
  light.forEach((value, k) => {
    if (value >= least) variance += (from + k * step - r) ** 2 / Math.max(1e-12, own[k][k]);
  });
  return {
    r,
    sigma: Math.hypot(Math.sqrt(variance) / sum, 0.02 * widthOf(lines)),
    spread: Math.sqrt(Math.max(0, square / sum - r * r)),
  };
}

/** Each spot's own flux by least squares on the residuals: the two ends of a line must carry the same. */
function spotFits(samples: Samples, fitted: Model): SpotFit[] {
  const { channels, value } = samples;
  const { lines, profile, noise, cross, terms } = fitted;
  const part = [0, 0, 0];
  const spots = ZONES.flatMap((_, zone) =>
    ([1, -1] as const).map((side) => ({ zone, side, top: 0, bottom: 0, own: 0, lost: 0, peak: 0 })),
  );
  const top = ZONES.map((_, zone) => cross.at(zone, 0, lines.airyPx, { slope: 0 }));
  for (let i = 0; i < samples.count; i++) {
    const half = samples.side[i] > 0 ? 0 : 1;
    for (let zone = 0; zone < 3; zone++) {
      const spot = spots[2 * zone + half];
      if (terms.g[3 * i + zone] < 0.3 * top[zone]) continue;
      spot.own += channels;
      for (let c = 0; c < channels; c++) if (Number.isNaN(value[i * channels + c])) spot.lost++;
    }
    for (let c = 0; c < channels; c++) {
      const observed = value[i * channels + c];
      if (Number.isNaN(observed)) continue;
      let model = 0;
      for (let zone = 0, k = 3 * i; zone < 3; zone++, k++) {
        const isThere = terms.node[k] >= 0;
        part[zone] = isThere ? lines.amplitude[zone] * terms.g[k] * lightAt(profile, terms, k, c, channels) : 0;
        model += part[zone];
      }
      const weight = 1 / variance(noise, c, model);
      for (let zone = 0; zone < 3; zone++) {
        const spot = spots[2 * zone + half];
        spot.top += weight * part[zone] * (observed - model + part[zone]);
        spot.bottom += weight * part[zone] ** 2;
        spot.peak = Math.max(spot.peak, (part[zone] / noise.sky[c]) ** 2);
      }
    }
  }
  return spots.map(({ zone, side, top, bottom, own, lost, peak }) => ({
    zone,
    side,
    ratio: bottom > 0 ? top / bottom : 0,
    ratioSigma: bottom > 0 ? 1 / Math.sqrt(bottom) : Infinity,
    snr: Math.sqrt(peak) / samples.blockPx,
    saturated: own > 0 ? lost / own : 0,
  }));
}
