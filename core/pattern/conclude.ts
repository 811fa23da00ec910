/** What a finished fit says: the offset and its σ, the spots, and what speaks for or against it. */
import { totalLength } from '../optics/lineSpread.ts';
import type { ZoneShape } from '../optics/mask.ts';
import { ACROSS, type Equations, eliminated, forEachRow, OUTER_ANGLE, PARAMETERS } from './equations.ts';
import { type Lines, offsetByAcross, offsetByOuter, offsetOf, widthOf, ZONES } from './lines.ts';
import { type Model, variance } from './model.ts';
import type { Samples } from './samples.ts';
import { dot, invert } from './solve.ts';
import { lightAt, modelLight, spectrumSeen } from './terms.ts';

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
  /** Largest deviation of a zone's share of the light from its share of the lens's area, relative to that. */
  unevenness: number;
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
  const { lines, profile } = model;
  const reduced = eliminated(equations, 0);
  const covariance = reduced && invert(reduced.matrix);
  if (!covariance) return null;
  const byOffset = new Float64Array(PARAMETERS);
  byOffset.set(offsetByAcross(lines.outer), ACROSS);
  byOffset[OUTER_ANGLE] = offsetByOuter(lines);
  const byOuter = new Float64Array(PARAMETERS);
  byOuter[OUTER_ANGLE] = 1;
  const gradients = [byOffset, byOuter];
  const pulls = gradients.map((gradient): Pull => {
    const geometry = Float64Array.from(covariance, (line) => dot(line, gradient));
    const spectrum = reduced.answers.map(({ byGeometry }) => {
      const nodes = new Float64Array(profile.nodes);
      byGeometry.forEach((column, p) => {
        for (let k = 0; k < nodes.length; k++) nodes[k] -= column[k] * geometry[p];
      });
      return nodes;
    });
    return { geometry, spectrum };
  });
  // Of few or faint samples the residuals alone say too little.
  const [offsetSigma, outerSigma] = variancesBySamples(samples, model, pulls).map((variance, k) =>
    Math.sqrt(Math.max(variance, dot(pulls[k].geometry, gradients[k]))),
  );

  const colour = (channel: number) => {
    const values = profile.values.filter((_, i) => i % samples.channels === channel);
    return centroid(model, values, equations.spectrum[channel].own);
  };
  const [red, blue] = [colour(0), colour(samples.channels - 1)];
  const green = samples.green
    ? centroid(model, spectrumSeen(model, samples.green, 1), equations.spectrum[0].own)
    : colour(samples.channels >> 1);
  const offsetSigmaPx = Math.hypot(offsetSigma, OFFSET_TRUST * offsetOf(lines));
  // Nothing lit at any radius, or no sample told anything: this is no pattern, and would spoil all it is joined with.
  if (!Number.isFinite(green.r + green.sigma + offsetSigmaPx)) return null;
  const { left, seen } = squares(samples, model);
  return {
    lines,
    shape: model.known.shape,
    offsetPx: offsetOf(lines),
    offsetSigmaPx,
    distancePx: green.r,
    distanceSigmaPx: green.sigma,
    outerSigma,
    dispersion: samples.channels === 1 ? Number.NaN : red.r / blue.r,
    radialSpread: Math.sqrt(Math.max(0, green.spread ** 2 - widthOf(lines) ** 2)) / green.r,
    dispersionSigma: Math.hypot(red.sigma, blue.sigma) / blue.r,
    spots: spotFits(samples, model),
    misfit: left,
    q: model.cross.waveOf(offsetOf(lines), lines.airyPx, lines.w).q,
    unevenness: unevenness(model),
    explained: 1 - left / Math.max(1e-12, seen),
  };
}

/** Squares of all light over the sky's noise, and of what the model leaves of it, summed. */
function squares(samples: Samples, model: Model): { seen: number; left: number } {
  const { value, channels } = samples;
  const light = modelLight(samples, model);
  let [seen, left] = [0, 0];
  for (let place = 0; place < value.length; place++) {
    if (Number.isNaN(value[place])) continue;
    const square = model.noise.sky[place % channels] ** 2;
    seen += value[place] ** 2 / square;
    left += (value[place] - light[place]) ** 2 / square;
  }
  return { seen, left };
}

function unevenness({ cross, lines: { amplitude } }: Model): number {
  const areas = cross.zones.map(({ chords }) => totalLength(chords));
  const perArea = sumOf(amplitude) / sumOf(areas);
  return Math.max(...areas.map((area, zone) => Math.abs(amplitude[zone] / (perArea * area) - 1)));
}

const sumOf = (values: number[]) => values.reduce((a, b) => a + b);

/** Residuals of samples up to this many blocks apart are taken as related. */
const RELATED_BLOCKS = 2;

/** What a parameter, or a combination of some, gains from each unit of weighted residual in the model's derivatives. */
interface Pull {
  /** Covariance of the geometry times the combination's gradient. */
  geometry: Float64Array;
  /** The same for each channel's spectrum nodes. */
  spectrum: Float64Array[];
}

/**
 * Variances of linear combinations of the parameters, from what each sample's residual contributes to them. No
 * noise model is asked: neighbours are related by a colour mosaic's interpolation, enlarging and JPEG's
 * blocks (Conley, J. Econometrics 92, 1 (1999), Bartlett weights).
 */
function variancesBySamples(samples: Samples, model: Model, pulls: Pull[]): number[] {
  const contributions = pulls.map(() => new Float64Array(samples.count));
  const independent = pulls.map(() => 0);
  forEachRow(samples, model, (row, i, c) => {
    const { geometry, active, nodeAt, nodeWeight, used, residual, weight } = row;
    if (used === 0) return;
    for (let k = 0; k < pulls.length; k++) {
      const { geometry: byGeometry, spectrum } = pulls[k];
      let share = 0;
      for (let a = 0; a < active.length; a++) share += geometry[active[a]] * byGeometry[active[a]];
      for (let n = 0; n < used; n++) share += nodeWeight[n] * spectrum[c][nodeAt[n]];
      const own = weight * share * residual;
      contributions[k][i] += own;
      independent[k] += own * own;
    }
  });
  const grid = gridOf(samples);
  return contributions.map((pull, k) => Math.max(independent[k], relatedSquares(pull, grid)));
}

/** Samples on the grid of blocks they were taken from, with a margin of RELATED_BLOCKS all round. */
interface Grid {
  columns: number;
  size: number;
  /** By sample. */
  places: Int32Array;
}

function gridOf({ x, y, count, stepPx }: Samples): Grid {
  let [left, right, top, bottom] = [Infinity, -Infinity, Infinity, -Infinity];
  for (let i = 0; i < count; i++) {
    left = Math.min(left, x[i]);
    right = Math.max(right, x[i]);
    top = Math.min(top, y[i]);
    bottom = Math.max(bottom, y[i]);
  }
  const blocks = (lengthPx: number) => Math.round(lengthPx / stepPx);
  const columns = blocks(right - left) + 1 + 2 * RELATED_BLOCKS;
  const rows = blocks(bottom - top) + 1 + 2 * RELATED_BLOCKS;
  const places = new Int32Array(count);
  for (let i = 0; i < count; i++)
    places[i] = (blocks(y[i] - top) + RELATED_BLOCKS) * columns + blocks(x[i] - left) + RELATED_BLOCKS;
  return { columns, size: columns * rows, places };
}

/** Values on the grid, 0 between uses: one array for all. */
let onGrid = new Float64Array(0);

/** Sum of products of each sample's value with its neighbours' and its own, nearer ones counting for more. */
function relatedSquares(values: Float64Array, { columns, size, places }: Grid): number {
  if (onGrid.length < size) onGrid = new Float64Array(size);
  const grid = onGrid;
  for (let i = 0; i < values.length; i++) grid[places[i]] = values[i];
  let related = 0;
  for (const at of places) {
    if (grid[at] === 0) continue;
    for (let dy = -RELATED_BLOCKS; dy <= RELATED_BLOCKS; dy++)
      for (let dx = -RELATED_BLOCKS; dx <= RELATED_BLOCKS; dx++) {
        const near = (1 - Math.abs(dx) / (RELATED_BLOCKS + 1)) * (1 - Math.abs(dy) / (RELATED_BLOCKS + 1));
        related += near * grid[at] * grid[at + dy * columns + dx];
      }
  }
  for (const at of places) grid[at] = 0;
  return related;
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
  const { channels, channel, value, skyNoise } = samples;
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
      for (let c = channel?.[i] ?? 0; c <= (channel?.[i] ?? channels - 1); c++) {
        spot.own++;
        if (Number.isNaN(value[i * channels + c])) spot.lost++;
      }
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
        spot.peak = Math.max(spot.peak, (part[zone] / skyNoise[c]) ** 2);
      }
    }
  }
  return spots.map(({ zone, side, top, bottom, own, lost, peak }) => ({
    zone,
    side,
    ratio: bottom > 0 ? top / bottom : 0,
    ratioSigma: bottom > 0 ? 1 / Math.sqrt(bottom) : Infinity,
    snr: Math.sqrt(peak) / samples.stepPx,
    saturated: own > 0 ? lost / own : 0,
  }));
}
