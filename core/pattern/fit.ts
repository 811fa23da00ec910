/**
 * Fits three lines to the six first-order spots.
 *
 * Dispersion smears a spot along its line only, so a spot is separable: I_c(r, t) = A · F_c(r) · G(t − d; r),
 * r along the line, t across it. F_c, the light's spectrum as channel c sees it, is the same for all
 * six spots and is taken from the picture itself. G is the zone's line spread (see profiles.ts) about
 * its mean ray, lopsided by as much defocus as the offset itself tells. Where a line lies is told by t
 * alone, so neither the star's place (often saturated) nor the spectrum enters the offset to first
 * order. All six spots are fitted together, because neighbours overlap; saturated samples are left out.
 */
import { CrossProfiles, type ZoneShape } from './profiles.ts';
import type { RoughPattern } from './rough.ts';
import type { Samples } from './samples.ts';
import { INNER, OUTER } from './samples.ts';
import { cholesky, invert, solve, substitute } from './solve.ts';

/** Zones in the order used by all arrays here; the outer lines are turned by SIGN · θ from the middle one. */
export const ZONES = ['middle', 'plus', 'minus'] as const;
const SIGN = [0, 1, -1];

/** The fitted pattern about the origin (the star's rough place), px and radians. */
export interface Lines {
  /** Direction of the middle line. */
  angle: number;
  /** Angle between outer lines and the middle one. */
  outer: number;
  /** Displacement of each line across itself, along (−sin, cos). */
  across: number[];
  /** Displacement of each zone's spots along its line. */
  along: number[];
  amplitude: number[];
  /** λN at 550 nm, px: the scale of diffraction. */
  airyPx: number;
  /** Standard deviation of the Gaussian blur, px. */
  blurPx: number;
}

export interface Fit {
  lines: Lines;
  /** Zone shape the profiles were made for. */
  shape: ZoneShape;
  offsetPx: number;
  offsetSigmaPx: number;
  /** Radial centroid of the light as the green channel sees it, from the origin, px. */
  distancePx: number;
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

const ANGLE = 0;
const OUTER_ANGLE = 1;
const ACROSS = 2;
const ALONG = 5;
const AMPLITUDE = 8;
const AIRY = 11;
const BLUR = 12;
const PARAMETERS = 13;
/** How long to go on: descents, and steps in each. */
export interface Effort {
  turns: number;
  rounds: number;
}

/** Enough to tell one start from another. */
export const QUICK: Effort = { turns: 2, rounds: 5 };
export const THOROUGH: Effort = { turns: 2, rounds: 2 };
/** From a good fit to one with another zone shape. */
export const TOUCH: Effort = { turns: 1, rounds: 2 };

/** Radial profile: nodes × channels, linear between nodes. */
interface Profile {
  from: number;
  step: number;
  nodes: number;
  values: Float64Array;
}

/** Variance of a sample: sky noise of its channel plus gain × light; the gain is taken from the residuals. */
interface Noise {
  sky: Float64Array;
  gain: Float64Array;
}

/** What the fit may take as known. */
export interface Knowledge {
  shape: ZoneShape;
  /** λN at 550 nm in px when f-number and pixel size are known. */
  airyPx: number | null;
}

/** The model at one point of the parameters: profiles across the lines, light along them. */
interface Model {
  lines: Lines;
  /** Offset that the profiles' defocus and the zones' places along the lines are made for, px. */
  offset: number;
  cross: CrossProfiles;
  /** Derivatives by λN and by the blur, taken at the start of each descent. */
  byAiry: CrossProfiles;
  byBlur: CrossProfiles;
  profile: Profile;
  noise: Noise;
  /** Inverse variance of each sample and channel, kept while steps are compared. */
  weights: Float32Array;
  known: Knowledge;
  distancePx: number;
}

const DELTA = 0.03;

/**
 * Levenberg–Marquardt on geometry and spectrum together.
 * @param start geometry to start from, when an earlier fit is refined
 * @returns null when the equations have no solution (nothing there that the model could hold on to)
 */
export function fitLines(
  samples: Samples,
  rough: RoughPattern,
  known: Knowledge,
  effort: Effort,
  start?: Lines,
): Fit | null {
  const lines = start ? copyLines(start) : startLines(rough, known);
  const offset = offsetOf(lines);
  const profiles = () => new CrossProfiles(known.shape, lines.outer);
  const model: Model = {
    lines,
    offset,
    cross: profiles(),
    byAiry: profiles(),
    byBlur: profiles(),
    profile: startProfile(rough.distancePx, samples),
    noise: { sky: noiseFloor(samples), gain: new Float64Array(samples.channels).fill(1e-3) },
    weights: new Float32Array(samples.value.length),
    known,
    distancePx: rough.distancePx,
  };
  buildProfiles(model);
  buildDerivatives(model);
  startSpectrum(samples, model);
  updateNoise(samples, model);
  let equations = normalEquations(samples, model);
  for (let turn = 0; turn < effort.turns; turn++) {
    const before = offsetOf(model.lines);
    const better = descend(samples, model, equations, effort.rounds);
    if (!better) return null;
    // Weights and the profiles' defocus follow the fit only between descents, so that each has one aim.
    model.offset = offsetOf(model.lines);
    buildProfiles(model);
    buildDerivatives(model);
    updateNoise(samples, model);
    equations = normalEquations(samples, model);
    if (turn > 0 && Math.abs(model.offset - before) < 0.01 * widthOf(model.lines)) break;
  }
  return conclude(samples, model, equations);
}

/** Levenberg–Marquardt with fixed weights and defocus; null when the equations have no solution. */
function descend(samples: Samples, model: Model, start: Equations, rounds: number): Equations | null {
  let equations = start;
  let damping = 1e-3;
  for (let round = 0; round < rounds && damping < 1e4; ) {
    const step = jointStep(equations, damping, model);
    if (!step) return null;
    const before = { lines: copyLines(model.lines), values: model.profile.values.slice() };
    moveLines(model.lines, step.geometry);
    for (let k = 0; k < step.spectrum.length; k++) model.profile.values[k] += step.spectrum[k];
    buildProfiles(model);
    const next = normalEquations(samples, model);
    if (next.cost > equations.cost) {
      model.lines = before.lines;
      model.profile.values = before.values;
      damping = Math.max(1e-2, damping * 10);
      continue;
    }
    const gained = equations.cost - next.cost;
    equations = next;
    damping /= 8;
    round++;
    if (gained < 0.02 + 1e-3 * next.cost) break;
  }
  return equations;
}

function copyLines(lines: Lines): Lines {
  return { ...lines, across: [...lines.across], along: [...lines.along], amplitude: [...lines.amplitude] };
}

/**
 * Sky noise of each channel, but no less than what the model itself can be trusted to: the light's
 * wings are not known better than to a few thousandths of the peak.
 */
const MODEL_TRUST = 0.004;

function noiseFloor({ channels, value, skyNoise }: Samples): Float64Array {
  const peak = new Float64Array(channels);
  for (let k = 0; k < value.length; k++) if (value[k] > peak[k % channels]) peak[k % channels] = value[k];
  return skyNoise.map((noise, c) => Math.hypot(noise, MODEL_TRUST * peak[c]));
}

function buildProfiles({ lines, offset, cross, profile, distancePx }: Model): void {
  const to = profile.from + profile.step * (profile.nodes - 1);
  const q = cross.defocusQ(offset, lines.airyPx);
  cross.build(lines.airyPx, lines.blurPx, q, distancePx, profile.from, to);
}

function buildDerivatives({ lines, offset, cross, byAiry, byBlur, known, distancePx }: Model): void {
  const { airyPx, blurPx } = lines;
  const wider = airyPx * (1 + DELTA);
  // The defocus in pixels stays the same, so Q shrinks as λN grows.
  if (known.airyPx === null)
    byAiry.buildDerivative(cross, wider, blurPx, cross.defocusQ(offset, wider), distancePx, DELTA * airyPx);
  const q = cross.defocusQ(offset, airyPx);
  byBlur.buildDerivative(cross, airyPx, blurPx * (1 + DELTA), q, distancePx, DELTA * blurPx);
}

function startLines({ pairs, distancePx }: RoughPattern, { airyPx }: Knowledge): Lines {
  const radians = Math.PI / 180;
  return {
    angle: pairs.middle.angleDeg * radians,
    outer: ((pairs.plus.angleDeg - pairs.minus.angleDeg) / 2) * radians,
    across: ZONES.map((zone) => pairs[zone].shiftPx),
    along: [0, 0, 0],
    amplitude: [1, 1, 1],
    airyPx: airyPx ?? 0.025 * distancePx,
    blurPx: Math.max(0.5, 0.05 * distancePx),
  };
}

function startProfile(distancePx: number, samples: Samples): Profile {
  const step = Math.max(1, samples.blockPx, distancePx / 24);
  const nodes = Math.ceil(((OUTER - INNER) * distancePx) / step) + 1;
  return { from: INNER * distancePx, step, nodes, values: new Float64Array(nodes * samples.channels) };
}

/** What one spot contributes at a sample; `g` is 0 out of reach. */
interface Term {
  node: number;
  fraction: number;
  /** Along the line from the origin, positive outwards. */
  r: number;
  /** Across the line from its middle. */
  t: number;
  /** Cross profile, and its derivative by t. */
  g: number;
  slope: number;
}

/** Calls `visit` for each sample with the terms of the three spots on its side. */
function forEachSample(
  samples: Samples,
  { lines, cross, profile }: Model,
  visit: (i: number, terms: Term[], side: 1 | -1) => void,
): void {
  const terms: Term[] = ZONES.map(() => ({ node: 0, fraction: 0, r: 0, t: 0, g: 0, slope: 0 }));
  const cos = SIGN.map((sign) => Math.cos(lines.angle + sign * lines.outer));
  const sin = SIGN.map((sign) => Math.sin(lines.angle + sign * lines.outer));
  const { across, along } = lines;
  for (let i = 0; i < samples.count; i++) {
    const x = samples.x[i];
    const y = samples.y[i];
    const side = samples.side[i] as 1 | -1;
    for (let zone = 0; zone < 3; zone++) {
      const term = terms[zone];
      term.t = y * cos[zone] - x * sin[zone] - across[zone];
      term.r = side * (x * cos[zone] + y * sin[zone] - along[zone]);
      const place = (term.r - profile.from) / profile.step;
      term.g = place >= 0 && place < profile.nodes - 1 ? cross.at(zone, term.t, term.r, term) : 0;
      if (term.g === 0) continue;
      term.node = place | 0;
      term.fraction = place - term.node;
    }
    visit(i, terms, side);
  }
}

function lightAt(profile: Profile, term: Term, channel: number, channels: number): number {
  const at = term.node * channels + channel;
  return profile.values[at] * (1 - term.fraction) + profile.values[at + channels] * term.fraction;
}

/** First guess of the spectrum: at each radius what the spots' own samples show. */
function startSpectrum(samples: Samples, model: Model): void {
  const { channels, value } = samples;
  const { values } = model.profile;
  const weights = new Float64Array(values.length);
  forEachSample(samples, model, (i, terms) => {
    for (let c = 0; c < channels; c++) {
      const observed = value[i * channels + c];
      if (Number.isNaN(observed)) continue;
      let reach = 0;
      for (const term of terms) reach += term.g;
      for (const { g, node, fraction } of terms) {
        if (g === 0) continue;
        const at = node * channels + c;
        values[at] += g * (1 - fraction) * observed;
        weights[at] += g * (1 - fraction) * reach;
        values[at + channels] += g * fraction * observed;
        weights[at + channels] += g * fraction * reach;
      }
    }
  });
  for (let k = 0; k < values.length; k++) if (weights[k] > 0) values[k] /= weights[k];
}

function variance(noise: Noise, channel: number, model: number): number {
  return noise.sky[channel] ** 2 + (model > 0 ? noise.gain[channel] * model : 0);
}

function forEachResidual(
  samples: Samples,
  model: Model,
  visit: (residual: number, light: number, channel: number, place: number) => void,
): void {
  const { channels, value } = samples;
  const { amplitude } = model.lines;
  forEachSample(samples, model, (i, terms) => {
    for (let c = 0; c < channels; c++) {
      const observed = value[i * channels + c];
      if (Number.isNaN(observed)) continue;
      let light = 0;
      for (let zone = 0; zone < 3; zone++)
        if (terms[zone].g !== 0)
          light += amplitude[zone] * terms[zone].g * lightAt(model.profile, terms[zone], c, channels);
      visit(observed - light, light, c, i * channels + c);
    }
  });
}

/** Each channel has its own gain: JPEG's coarse colour makes red and blue noisier than their photons. */
function updateNoise(samples: Samples, model: Model): void {
  const { noise, weights } = model;
  const top = new Float64Array(samples.channels);
  const bottom = new Float64Array(samples.channels);
  forEachResidual(samples, model, (residual, light, channel) => {
    if (light < 2 * noise.sky[channel]) return;
    const weight = 1 / variance(noise, channel, light) ** 2;
    top[channel] += weight * light * (residual * residual - noise.sky[channel] ** 2);
    bottom[channel] += weight * light * light;
  });
  for (let c = 0; c < samples.channels; c++) if (bottom[c] > 0) noise.gain[c] = Math.max(1e-5, top[c] / bottom[c]);
  for (let k = 0; k < weights.length; k++) weights[k] = 1 / noise.sky[k % samples.channels] ** 2;
  forEachResidual(samples, model, (_, light, channel, place) => {
    weights[place] = 1 / variance(noise, channel, light);
  });
}

/** Normal equations; the spectrum's own blocks are kept apart by channel, since channels do not share nodes. */
interface Equations {
  /** Weighted sum of squared residuals plus priors. */
  cost: number;
  /** Geometry with geometry, and its right-hand side. */
  geometry: Float64Array[];
  right: Float64Array;
  /** For each channel: spectrum with spectrum, spectrum with geometry, right-hand side. */
  spectrum: { own: Float64Array[]; mixed: Float64Array[]; right: Float64Array }[];
}

function square(rows: number, columns: number): Float64Array[] {
  return Array.from({ length: rows }, () => new Float64Array(columns));
}

/** Parameters that matter at a sample, by which zones' spots reach it (bit 0 for zone 0, and so on). */
const ACTIVE = Array.from({ length: 8 }, (_, zones) =>
  Uint8Array.from({ length: PARAMETERS }, (_, parameter) => parameter).filter(
    (parameter) => parameter < ACROSS || parameter >= AIRY || (zones & (1 << ((parameter - ACROSS) % 3))) !== 0,
  ),
);

/** The model's derivatives at one sample and channel. */
interface Row {
  /** By the geometry's parameters; only those in `active` are set. */
  geometry: Float64Array;
  active: Uint8Array;
  /** By the spectrum: `used` nodes and their weights. */
  nodeAt: Int32Array;
  nodeWeight: Float64Array;
  used: number;
}

/** Calls `visit` for each sample and channel that is not saturated; `row.used` is 0 where no spot reaches. */
function forEachRow(
  samples: Samples,
  model: Model,
  visit: (row: Row, residual: number, weight: number, i: number, channel: number) => void,
): void {
  const { channels, value } = samples;
  const { profile, weights, known } = model;
  const { amplitude, along } = model.lines;
  const geometry = new Float64Array(PARAMETERS);
  const row: Row = {
    geometry,
    active: ACTIVE[0],
    nodeAt: new Int32Array(6),
    nodeWeight: new Float64Array(6),
    used: 0,
  };
  const unused = { slope: 0 };
  const byAiry = [0, 0, 0];
  const byBlur = [0, 0, 0];
  forEachSample(samples, model, (i, terms, side) => {
    let used = 0;
    let zones = 0;
    for (let zone = 0; zone < 3; zone++) {
      const { g, t, r, node, fraction } = terms[zone];
      if (g === 0) continue;
      zones |= 1 << zone;
      if (known.airyPx === null) byAiry[zone] = model.byAiry.at(zone, t, r, unused);
      byBlur[zone] = model.byBlur.at(zone, t, r, unused);
      row.nodeAt[used] = node;
      row.nodeWeight[used++] = amplitude[zone] * g * (1 - fraction);
      row.nodeAt[used] = node + 1;
      row.nodeWeight[used++] = amplitude[zone] * g * fraction;
    }
    row.used = used;
    row.active = ACTIVE[zones];
    for (let c = 0; c < channels; c++) {
      const observed = value[i * channels + c];
      if (Number.isNaN(observed)) continue;
      let light = 0;
      if (used > 0) geometry.fill(0);
      for (let zone = 0; zone < 3; zone++) {
        const term = terms[zone];
        if (term.g === 0) continue;
        const seen = lightAt(profile, term, c, channels);
        const at = term.node * channels + c;
        const rise = (profile.values[at + channels] - profile.values[at]) / profile.step;
        const a = amplitude[zone] * seen;
        light += a * term.g;
        const byAcross = -a * term.slope;
        // Turning a line by dα carries its spots across it by side · r · dα.
        const byAngle = byAcross * (side * term.r + along[zone]);
        geometry[ANGLE] += byAngle;
        geometry[OUTER_ANGLE] += SIGN[zone] * byAngle;
        geometry[ACROSS + zone] = byAcross;
        geometry[ALONG + zone] = -side * amplitude[zone] * rise * term.g;
        geometry[AMPLITUDE + zone] = seen * term.g;
        geometry[AIRY] += a * byAiry[zone];
        geometry[BLUR] += a * byBlur[zone];
      }
      visit(row, observed - light, weights[i * channels + c], i, c);
    }
  });
}

function normalEquations(samples: Samples, model: Model): Equations {
  const { nodes } = model.profile;
  const geometry = square(PARAMETERS, PARAMETERS);
  const right = new Float64Array(PARAMETERS);
  const spectrum = Array.from({ length: samples.channels }, () => ({
    own: square(nodes, nodes),
    mixed: square(nodes, PARAMETERS),
    right: new Float64Array(nodes),
  }));
  let cost = 0;
  forEachRow(samples, model, (row, residual, weight, _, c) => {
    cost += weight * residual * residual;
    const { active, nodeAt, nodeWeight, used } = row;
    if (used === 0) return;
    for (let a = 0; a < active.length; a++) {
      const p = active[a];
      const weighted = weight * row.geometry[p];
      right[p] += weighted * residual;
      const target = geometry[p];
      for (let b = 0; b <= a; b++) target[active[b]] += weighted * row.geometry[active[b]];
    }
    const { own, mixed, right: spectrumRight } = spectrum[c];
    for (let k = 0; k < used; k++) {
      const weighted = weight * nodeWeight[k];
      const node = nodeAt[k];
      spectrumRight[node] += weighted * residual;
      const mixedRow = mixed[node];
      for (let a = 0; a < active.length; a++) mixedRow[active[a]] += weighted * row.geometry[active[a]];
      const ownRow = own[node];
      for (let l = 0; l < used; l++) ownRow[nodeAt[l]] += weighted * nodeWeight[l];
    }
  });
  for (let p = 0; p < PARAMETERS; p++) for (let q = 0; q < p; q++) geometry[q][p] = geometry[p][q];
  for (const { own } of spectrum) {
    let largest = 0;
    for (let k = 0; k < own.length; k++) largest = Math.max(largest, own[k][k]);
    // Nodes that no sample reaches stay where they are.
    for (let k = 0; k < own.length; k++) own[k][k] += 1e-6 * largest + 1e-12;
  }
  cost += addPriors(geometry, right, model);
  return { cost, geometry, right, spectrum };
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

/** Geometry's equations with the spectrum eliminated (Schur complement), damped. */
function eliminated(equations: Equations, damping: number) {
  const matrix = equations.geometry.map((line) => line.slice());
  const right = equations.right.slice();
  const answers: { byGeometry: Float64Array[]; alone: Float64Array }[] = [];
  for (let p = 0; p < PARAMETERS; p++) matrix[p][p] *= 1 + damping;
  for (const { own, mixed, right: spectrumRight } of equations.spectrum) {
    const damped = own.map((line, k) => {
      const copy = line.slice();
      copy[k] *= 1 + damping;
      return copy;
    });
    const lower = cholesky(damped);
    if (!lower) return null;
    const alone = substitute(lower, spectrumRight);
    const byGeometry: Float64Array[] = [];
    for (let p = 0; p < PARAMETERS; p++)
      byGeometry.push(
        substitute(
          lower,
          Float64Array.from(mixed, (line) => line[p]),
        ),
      );
    for (let p = 0; p < PARAMETERS; p++) {
      for (let k = 0; k < own.length; k++) right[p] -= mixed[k][p] * alone[k];
      for (let q = 0; q < PARAMETERS; q++)
        for (let k = 0; k < own.length; k++) matrix[p][q] -= mixed[k][p] * byGeometry[q][k];
    }
    answers.push({ byGeometry, alone });
  }
  return { matrix, right, answers };
}

/** The damped step of geometry and of the spectrum (nodes × channels). */
function jointStep(
  equations: Equations,
  damping: number,
  { lines, distancePx }: Model,
): { geometry: Float64Array; spectrum: Float64Array } | null {
  const reduced = eliminated(equations, damping);
  const geometry = reduced && solve(reduced.matrix, reduced.right);
  if (!geometry) return null;
  // Limited first: the spectrum then answers to the step that is really taken.
  limitStep(geometry, lines, distancePx);
  const channels = equations.spectrum.length;
  const nodes = equations.spectrum[0].right.length;
  const spectrum = new Float64Array(nodes * channels);
  reduced.answers.forEach(({ byGeometry, alone }, c) => {
    for (let k = 0; k < nodes; k++) {
      let value = alone[k];
      for (let p = 0; p < PARAMETERS; p++) value -= byGeometry[p][k] * geometry[p];
      spectrum[k * channels + c] = value;
    }
  });
  return { geometry, spectrum };
}

/** Weak knowledge that holds the parameters where the picture says nothing. */
function addPriors(
  matrix: Float64Array[],
  right: Float64Array,
  { lines, offset, cross, known, distancePx }: Model,
): number {
  let cost = 0;
  const prior = (parameter: number, deviation: number, sigma: number) => {
    matrix[parameter][parameter] += 1 / sigma ** 2;
    right[parameter] -= deviation / sigma ** 2;
    cost += (deviation / sigma) ** 2;
  };
  // The radial profile is free: the amplitudes' common factor is not told by the picture.
  const meanAmplitude = (lines.amplitude[0] + lines.amplitude[1] + lines.amplitude[2]) / 3;
  for (let zone = 0; zone < 3; zone++)
    prior(ALONG + zone, lines.along[zone] - cross.alongPx(zone, offset), 0.03 * distancePx);
  // Common factor of the amplitudes; as one equation of their mean.
  for (let zone = 0; zone < 3; zone++) {
    right[AMPLITUDE + zone] -= ((meanAmplitude - 1) / 3) * 1e4;
    for (let other = 0; other < 3; other++) matrix[AMPLITUDE + zone][AMPLITUDE + other] += 1e4 / 9;
  }
  cost += (meanAmplitude - 1) ** 2 * 1e4;
  if (known.airyPx !== null) prior(AIRY, lines.airyPx - known.airyPx, 1e-6 * known.airyPx);
  else prior(AIRY, lines.airyPx - 0.025 * distancePx, 0.0125 * distancePx);
  prior(BLUR, lines.blurPx, 0.3 * distancePx);
  return cost;
}

/** Cuts a step back to what the linear model can be trusted for, in place. */
function limitStep(step: Float64Array, lines: Lines, distancePx: number): void {
  const width = widthOf(lines);
  const limit = (parameter: number, low: number, high = -low) => {
    step[parameter] = Math.max(low, Math.min(high, step[parameter]));
  };
  limit(ANGLE, (-0.6 * width) / distancePx);
  limit(OUTER_ANGLE, (-0.6 * width) / distancePx);
  for (let zone = 0; zone < 3; zone++) {
    limit(ACROSS + zone, -0.6 * width);
    limit(ALONG + zone, -0.04 * distancePx);
    limit(AMPLITUDE + zone, Math.max(-0.4, 0.02 - lines.amplitude[zone]), 0.4);
  }
  limit(AIRY, Math.max(-0.25 * lines.airyPx, 0.15 - lines.airyPx), 0.25 * lines.airyPx);
  limit(BLUR, Math.max(-0.25 * lines.blurPx, 0.3 - lines.blurPx), 0.25 * lines.blurPx);
}

function moveLines(lines: Lines, step: Float64Array): void {
  lines.angle += step[ANGLE];
  lines.outer += step[OUTER_ANGLE];
  for (let zone = 0; zone < 3; zone++) {
    lines.across[zone] += step[ACROSS + zone];
    lines.along[zone] += step[ALONG + zone];
    lines.amplitude[zone] += step[AMPLITUDE + zone];
  }
  lines.airyPx += step[AIRY];
  lines.blurPx += step[BLUR];
}

/** Standard deviation of a cross profile's core, px; half a zone's diffraction is about 0.8 λN wide. */
export function widthOf({ airyPx, blurPx }: Lines): number {
  return Math.hypot(0.8 * airyPx, blurPx);
}

/** Signed distance from the crossing of the outer lines to the middle line, along the middle line's (−sin, cos), px. */
export function offsetOf({ across: [middle, plus, minus], outer }: Pick<Lines, 'across' | 'outer'>): number {
  return middle - (plus + minus) / (2 * Math.cos(outer));
}

/**
 * Share of the offset that the profiles' shape may be wrong by: measured on simulated JPEG frames a
 * few depths of focus from focus, with λN known or taken from the spots' own width.
 */
const OFFSET_TRUST = { known: 0.015, guessed: 0.03 };

function conclude(samples: Samples, model: Model, equations: Equations): Fit | null {
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
