/** What a finished fit says: the offset and its σ, the spots, and what speaks for or against it. */
import { ACROSS, type Equations, eliminated, forEachRow, OUTER_ANGLE, PARAMETERS } from './equations.ts';
import {
  forEachResidual,
  forEachSample,
  type Lines,
  lightAt,
  type Model,
  offsetOf,
  variance,
  widthOf,
  ZONES,
} from './model.ts';
import type { ZoneShape } from './profiles.ts';
import type { Samples } from './samples.ts';
import { invert } from './solve.ts';

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
  /** Mean squared residual over the noise model. */
  chi2: number;
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
 * Share of the offset that the profiles' shape may be wrong by: measured on simulated JPEG frames a
 * few depths of focus from focus, with λN known or taken from the spots' own width.
 */
const OFFSET_TRUST = { known: 0.015, guessed: 0.03 };

export function conclude(samples: Samples, model: Model, equations: Equations): Fit | null {
  const { lines, profile, noise } = model;
  const reduced = eliminated(equations, 0);
  const covariance = reduced && invert(reduced.matrix);
  if (!covariance) return null;
  const gradient = new Float64Array(PARAMETERS);
  const [, plus, minus] = lines.across;
  gradient[ACROSS] = 1;
  gradient[ACROSS + 1] = gradient[ACROSS + 2] = -1 / (2 * Math.cos(lines.outer));
  gradient[OUTER_ANGLE] = (-(plus + minus) / 2) * (Math.sin(lines.outer) / Math.cos(lines.outer) ** 2);
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
  const related = relatedVariance(samples, model, combination, bySpectrum);
  const offsetVariance = related * gradient.reduce((sum, value, p) => sum + value * combination[p], 0);

  const colour = (channel: number) => centroid(model, equations, samples.channels === 1 ? 0 : channel);
  const [red, green, blue] = [colour(0), colour(1), colour(2)];
  let chi = 0;
  let count = 0;
  let light = 0;
  let left = 0;
  forEachResidual(samples, model, (residual, model, channel) => {
    chi += residual ** 2 / variance(noise, channel, model);
    count++;
    light += (residual + model) ** 2 / noise.sky[channel] ** 2;
    left += residual ** 2 / noise.sky[channel] ** 2;
  });
  const chi2 = chi / Math.max(1, count - PARAMETERS - profile.values.length);
  const trust = model.known.airyPx === null ? OFFSET_TRUST.guessed : OFFSET_TRUST.known;
  return {
    lines,
    shape: model.known.shape,
    offsetPx: offsetOf(lines),
    offsetSigmaPx: Math.hypot(Math.sqrt(Math.max(0, offsetVariance) * Math.max(1, chi2)), trust * offsetOf(lines)),
    distancePx: green.r,
    distanceSigmaPx: green.sigma,
    outerSigma: Math.sqrt(related * Math.max(0, covariance[OUTER_ANGLE][OUTER_ANGLE]) * Math.max(1, chi2)),
    dispersion: samples.channels === 1 ? Number.NaN : red.r / blue.r,
    radialSpread: Math.sqrt(Math.max(0, green.spread ** 2 - widthOf(lines) ** 2)) / green.r,
    dispersionSigma: Math.hypot(red.sigma, blue.sigma) / blue.r,
    spots: spotFits(samples, model),
    chi2,
    misfit: left,
    q: model.cross.defocusQ(offsetOf(lines), lines.airyPx),
    explained: 1 - left / Math.max(1e-12, light),
  };
}

/** Residuals of samples up to this many blocks apart are taken as related. */
const RELATED_BLOCKS = 2;

/**
 * By how much the residuals' relation to each other (a colour mosaic's interpolation, enlarging, JPEG
 * blocks, channels that share their brightness) raises the variance of a linear combination of the
 * parameters over that of independent noise (Conley, J. Econometrics 92, 1 (1999), Bartlett weights).
 * @param combination covariance of the geometry times the combination's gradient
 * @param bySpectrum the same for each channel's spectrum nodes
 */
function relatedVariance(
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
  const place = new Map<number, number>();
  const key = (column: number, line: number) => column * 65536 + line;
  const column = (i: number) => Math.round((samples.x[i] - samples.x[0]) / samples.blockPx) + 16384;
  const line = (i: number) => Math.round((samples.y[i] - samples.y[0]) / samples.blockPx) + 16384;
  for (let i = 0; i < samples.count; i++) if (pull[i] !== 0) place.set(key(column(i), line(i)), i);
  let related = 0;
  for (const i of place.values())
    for (let dy = -RELATED_BLOCKS; dy <= RELATED_BLOCKS; dy++)
      for (let dx = -RELATED_BLOCKS; dx <= RELATED_BLOCKS; dx++) {
        const other = place.get(key(column(i) + dx, line(i) + dy));
        if (other === undefined) continue;
        const near = (1 - Math.abs(dx) / (RELATED_BLOCKS + 1)) * (1 - Math.abs(dy) / (RELATED_BLOCKS + 1));
        related += near * pull[i] * pull[other];
      }
  return independent > 0 ? Math.max(1, related / independent) : 1;
}

interface Centroid {
  r: number;
  /** Standard deviation of the light along the radius. */
  spread: number;
  sigma: number;
}

/** Mean radius of one channel's light and its σ. */
function centroid({ profile, lines }: Model, equations: Equations, channel: number): Centroid {
  const channels = equations.spectrum.length;
  const { own } = equations.spectrum[channel];
  // The wings' noise would outweigh what little light is there.
  let peak = 0;
  for (let k = 0; k < profile.nodes; k++) peak = Math.max(peak, profile.values[k * channels + channel]);
  let sum = 0;
  let moment = 0;
  let square = 0;
  for (let k = 0; k < profile.nodes; k++) {
    const value = profile.values[k * channels + channel];
    if (value < 0.15 * peak) continue;
    sum += value;
    moment += value * (profile.from + k * profile.step);
    square += value * (profile.from + k * profile.step) ** 2;
  }
  const r = sum > 0 ? moment / sum : Number.NaN;
  let variance = 0;
  for (let k = 0; k < profile.nodes; k++) {
    if (profile.values[k * channels + channel] < 0.15 * peak) continue;
    variance += (profile.from + k * profile.step - r) ** 2 / Math.max(1e-12, own[k][k]);
  }
  return {
    r,
    spread: Math.sqrt(Math.max(0, square / sum - r * r)),
    sigma: Math.hypot(Math.sqrt(variance) / sum, 0.02 * widthOf(lines)),
  };
}

/** Each spot's own flux by least squares on the residuals: the two ends of a line must carry the same. */
function spotFits(samples: Samples, fitted: Model): SpotFit[] {
  const { channels, value } = samples;
  const { lines, profile, noise, cross } = fitted;
  const spots = ZONES.flatMap((_, zone) =>
    ([1, -1] as const).map((side) => ({ zone, side, top: 0, bottom: 0, own: 0, lost: 0, peak: 0 })),
  );
  const top = ZONES.map((_, zone) => cross.at(zone, 0, lines.airyPx, { slope: 0 }));
  forEachSample(samples, fitted, (i, terms, side) => {
    const half = side > 0 ? 0 : 1;
    for (let zone = 0; zone < 3; zone++) {
      const spot = spots[2 * zone + half];
      if (terms[zone].g < 0.3 * top[zone]) continue;
      spot.own += channels;
      for (let c = 0; c < channels; c++) if (Number.isNaN(value[i * channels + c])) spot.lost++;
    }
    let square = 0;
    for (let c = 0; c < channels; c++) {
      const observed = value[i * channels + c];
      if (Number.isNaN(observed)) continue;
      let model = 0;
      const part = [0, 0, 0];
      for (let zone = 0; zone < 3; zone++) {
        if (terms[zone].g === 0) continue;
        part[zone] = lines.amplitude[zone] * terms[zone].g * lightAt(profile, terms[zone], c, channels);
        model += part[zone];
      }
      const weight = 1 / variance(noise, c, model);
      for (let zone = 0; zone < 3; zone++) {
        const spot = spots[2 * zone + half];
        spot.top += weight * part[zone] * (observed - model + part[zone]);
        spot.bottom += weight * part[zone] ** 2;
        square = (part[zone] / noise.sky[c]) ** 2;
        if (square > spot.peak) spot.peak = square;
      }
    }
  });
  return spots.map(({ zone, side, top, bottom, own, lost, peak }) => ({
    zone,
    side,
    ratio: bottom > 0 ? top / bottom : 0,
    ratioSigma: bottom > 0 ? 1 / Math.sqrt(bottom) : Infinity,
    snr: Math.sqrt(peak) / samples.blockPx,
    saturated: own > 0 ? lost / own : 0,
  }));
}
