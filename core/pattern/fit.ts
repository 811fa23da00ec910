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
import { invert, solve } from './solve.ts';

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
  offsetPx: number;
  offsetSigmaPx: number;
  /** Radial centroid of the light as the green channel sees it, from the origin, px. */
  distancePx: number;
  spots: SpotFit[];
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
const ROUNDS = 14;

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
  cross: CrossProfiles;
  /** The same with λN and blur a little larger, for their derivatives. */
  wider: CrossProfiles;
  blurred: CrossProfiles;
  profile: Profile;
  noise: Noise;
  known: Knowledge;
  distancePx: number;
}

const DELTA = 0.03;

/** @returns null when the equations have no solution (nothing there that the model could hold on to) */
export function fitLines(samples: Samples, rough: RoughPattern, known: Knowledge): Fit | null {
  const lines = startLines(rough, known);
  const profiles = () => new CrossProfiles(known.shape, lines.outer);
  const model: Model = {
    lines,
    cross: profiles(),
    wider: profiles(),
    blurred: profiles(),
    profile: startProfile(rough.distancePx, samples),
    noise: { sky: samples.skyNoise, gain: samples.skyNoise.map(() => 1e-3) },
    known,
    distancePx: rough.distancePx,
  };
  buildProfiles(model);
  updateProfile(samples, model, 3);
  let damping = 1e-2;
  for (let round = 0; round < ROUNDS; round++) {
    const { matrix, right } = normalEquations(samples, model);
    for (let i = 0; i < PARAMETERS; i++) matrix[i][i] *= 1 + damping;
    const step = solve(matrix, right);
    if (!step) return null;
    const moved = applyStep(lines, step, rough.distancePx);
    buildProfiles(model);
    updateProfile(samples, model, 1);
    updateGain(samples, model);
    damping = Math.max(1e-6, damping / 5);
    if (moved < 3e-3 && round > 2) break;
  }
  return conclude(samples, model);
}

function buildProfiles({ lines, cross, wider, blurred, profile, distancePx }: Model): void {
  const { airyPx, blurPx } = lines;
  const to = profile.from + profile.step * (profile.nodes - 1);
  const offset = offsetOf(lines);
  const q = cross.defocusQ(offset, airyPx);
  cross.build(airyPx, blurPx, q, distancePx, profile.from, to);
  // The defocus in pixels stays the same, so Q shrinks as λN grows.
  wider.build(airyPx * (1 + DELTA), blurPx, cross.defocusQ(offset, airyPx * (1 + DELTA)), distancePx, profile.from, to);
  blurred.build(airyPx, blurPx * (1 + DELTA), q, distancePx, profile.from, to);
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
    let touched = false;
    for (let zone = 0; zone < 3; zone++) {
      const term = terms[zone];
      term.t = y * cos[zone] - x * sin[zone] - across[zone];
      term.r = side * (x * cos[zone] + y * sin[zone] - along[zone]);
      const place = (term.r - profile.from) / profile.step;
      term.g = place >= 0 && place < profile.nodes - 1 ? cross.at(zone, term.t, term.r, term) : 0;
      if (term.g === 0) continue;
      touched = true;
      term.node = place | 0;
      term.fraction = place - term.node;
    }
    if (touched) visit(i, terms, side);
  }
}

function lightAt(profile: Profile, term: Term, channel: number, channels: number): number {
  const at = term.node * channels + channel;
  return profile.values[at] * (1 - term.fraction) + profile.values[at + channels] * term.fraction;
}

/** Steps towards the least-squares radial profile, each divided by its row sums so that it cannot overshoot. */
function updateProfile(samples: Samples, model: Model, passes: number): void {
  const { channels, value } = samples;
  const { profile, noise } = model;
  const { amplitude } = model.lines;
  for (let pass = 0; pass < passes; pass++) {
    const top = new Float64Array(profile.values.length);
    const bottom = new Float64Array(profile.values.length);
    forEachSample(samples, model, (i, terms) => {
      for (let c = 0; c < channels; c++) {
        const observed = value[i * channels + c];
        if (Number.isNaN(observed)) continue;
        let light = 0;
        let reach = 0;
        for (let zone = 0; zone < 3; zone++) {
          const term = terms[zone];
          if (term.g === 0) continue;
          const a = amplitude[zone] * term.g;
          light += a * lightAt(profile, term, c, channels);
          reach += Math.abs(a);
        }
        const weight = 1 / variance(noise, c, light);
        const residual = observed - light;
        for (let zone = 0; zone < 3; zone++) {
          const { g, node, fraction } = terms[zone];
          if (g === 0) continue;
          const a = weight * amplitude[zone] * g;
          const at = node * channels + c;
          top[at] += a * (1 - fraction) * residual;
          bottom[at] += Math.abs(a) * (1 - fraction) * reach;
          top[at + channels] += a * fraction * residual;
          bottom[at + channels] += Math.abs(a) * fraction * reach;
        }
      }
    });
    for (let k = 0; k < top.length; k++) if (bottom[k] > 0) profile.values[k] += top[k] / bottom[k];
  }
}

function variance(noise: Noise, channel: number, model: number): number {
  return noise.sky[channel] ** 2 + (model > 0 ? noise.gain[channel] * model : 0);
}

function forEachResidual(
  samples: Samples,
  model: Model,
  visit: (residual: number, light: number, channel: number) => void,
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
      visit(observed - light, light, c);
    }
  });
}

/** Each channel has its own gain: JPEG's coarse colour makes red and blue noisier than their photons. */
function updateGain(samples: Samples, model: Model): void {
  const { noise } = model;
  const top = new Float64Array(samples.channels);
  const bottom = new Float64Array(samples.channels);
  forEachResidual(samples, model, (residual, light, channel) => {
    if (light < 2 * noise.sky[channel]) return;
    const weight = 1 / variance(noise, channel, light) ** 2;
    top[channel] += weight * light * (residual * residual - noise.sky[channel] ** 2);
    bottom[channel] += weight * light * light;
  });
  for (let c = 0; c < samples.channels; c++) if (bottom[c] > 0) noise.gain[c] = Math.max(1e-5, top[c] / bottom[c]);
}

/** Derivatives of the model by the parameters at each sample and channel, with the residual and its weight. */
function forEachRow(
  samples: Samples,
  model: Model,
  visit: (row: Float64Array, residual: number, weight: number, i: number, channel: number) => void,
): void {
  const { channels, value } = samples;
  const { profile, noise, wider, blurred } = model;
  const { amplitude, along, airyPx, blurPx } = model.lines;
  const row = new Float64Array(PARAMETERS);
  const unused = { slope: 0 };
  const byAiry = [0, 0, 0];
  const byBlur = [0, 0, 0];
  forEachSample(samples, model, (i, terms, side) => {
    for (let zone = 0; zone < 3; zone++) {
      const { g, t, r } = terms[zone];
      if (g === 0) continue;
      byAiry[zone] = (wider.at(zone, t, r, unused) - g) / (DELTA * airyPx);
      byBlur[zone] = (blurred.at(zone, t, r, unused) - g) / (DELTA * blurPx);
    }
    for (let c = 0; c < channels; c++) {
      const observed = value[i * channels + c];
      if (Number.isNaN(observed)) continue;
      let light = 0;
      row.fill(0);
      for (let zone = 0; zone < 3; zone++) {
        const term = terms[zone];
        if (term.g === 0) continue;
        const spectrum = lightAt(profile, term, c, channels);
        const at = term.node * channels + c;
        const rise = (profile.values[at + channels] - profile.values[at]) / profile.step;
        const a = amplitude[zone] * spectrum;
        light += a * term.g;
        const byAcross = -a * term.slope;
        // Turning a line by dα carries its spots across it by side · r · dα.
        const byAngle = byAcross * (side * term.r + along[zone]);
        row[ANGLE] += byAngle;
        row[OUTER_ANGLE] += SIGN[zone] * byAngle;
        row[ACROSS + zone] = byAcross;
        row[ALONG + zone] = -side * amplitude[zone] * rise * term.g;
        row[AMPLITUDE + zone] = spectrum * term.g;
        row[AIRY] += a * byAiry[zone];
        row[BLUR] += a * byBlur[zone];
      }
      visit(row, observed - light, 1 / variance(noise, c, light), i, c);
    }
  });
}

function normalEquations(samples: Samples, model: Model) {
  const matrix = Array.from({ length: PARAMETERS }, () => new Float64Array(PARAMETERS));
  const right = new Float64Array(PARAMETERS);
  forEachRow(samples, model, (row, residual, weight) => {
    for (let p = 0; p < PARAMETERS; p++) {
      const weighted = weight * row[p];
      if (weighted === 0) continue;
      right[p] += weighted * residual;
      const target = matrix[p];
      for (let q = 0; q <= p; q++) target[q] += weighted * row[q];
    }
  });
  for (let p = 0; p < PARAMETERS; p++) for (let q = 0; q < p; q++) matrix[q][p] = matrix[p][q];
  addPriors(matrix, right, model);
  return { matrix, right };
}

/** Weak knowledge that holds the parameters where the picture says nothing. */
function addPriors(matrix: Float64Array[], right: Float64Array, { lines, cross, known, distancePx }: Model): void {
  const prior = (parameter: number, deviation: number, sigma: number) => {
    matrix[parameter][parameter] += 1 / sigma ** 2;
    right[parameter] -= deviation / sigma ** 2;
  };
  // The radial profile is free: the amplitudes' common factor is not told by the picture.
  const meanAmplitude = (lines.amplitude[0] + lines.amplitude[1] + lines.amplitude[2]) / 3;
  const offset = offsetOf(lines);
  for (let zone = 0; zone < 3; zone++) {
    prior(ALONG + zone, lines.along[zone] - cross.alongPx(zone, offset), 0.03 * distancePx);
    prior(AMPLITUDE + zone, meanAmplitude - 1, 0.5);
  }
  const usual = known.airyPx ?? 0.025 * distancePx;
  prior(AIRY, lines.airyPx - usual, (known.airyPx === null ? 0.5 : 0.03) * usual);
  prior(BLUR, lines.blurPx, 0.3 * distancePx);
}

/** Applies a limited step; returns the largest move of a spot across its line, in widths. */
function applyStep(lines: Lines, step: Float64Array, distancePx: number): number {
  const width = widthOf(lines);
  const limited = (parameter: number, limit: number) => Math.max(-limit, Math.min(limit, step[parameter]));
  const turn = (0.6 * width) / distancePx;
  const angle = limited(ANGLE, turn);
  const outer = limited(OUTER_ANGLE, turn);
  lines.angle += angle;
  lines.outer += outer;
  let moved = (Math.abs(angle) + Math.abs(outer)) * distancePx;
  for (let zone = 0; zone < 3; zone++) {
    const across = limited(ACROSS + zone, 0.6 * width);
    moved = Math.max(moved, Math.abs(across));
    lines.across[zone] += across;
    lines.along[zone] += limited(ALONG + zone, 0.04 * distancePx);
    lines.amplitude[zone] = Math.max(0.02, lines.amplitude[zone] + limited(AMPLITUDE + zone, 0.4));
  }
  lines.airyPx = Math.max(0.15, lines.airyPx + limited(AIRY, 0.25 * lines.airyPx));
  lines.blurPx = Math.max(0.3, lines.blurPx + limited(BLUR, 0.25 * lines.blurPx));
  return moved / width;
}

/** Standard deviation of a cross profile's core, px; half a zone's diffraction is about 0.8 λN wide. */
export function widthOf({ airyPx, blurPx }: Lines): number {
  return Math.hypot(0.8 * airyPx, blurPx);
}

/** Signed distance from the crossing of the outer lines to the middle line, along the middle line's (−sin, cos), px. */
export function offsetOf({ across: [middle, plus, minus], outer }: Pick<Lines, 'across' | 'outer'>): number {
  return middle - (plus + minus) / (2 * Math.cos(outer));
}

function conclude(samples: Samples, model: Model): Fit | null {
  const { lines, profile, noise } = model;
  const { matrix } = normalEquations(samples, model);
  const covariance = invert(matrix);
  if (!covariance) return null;
  const gradient = new Float64Array(PARAMETERS);
  const [, plus, minus] = lines.across;
  gradient[ACROSS] = 1;
  gradient[ACROSS + 1] = gradient[ACROSS + 2] = -1 / (2 * Math.cos(lines.outer));
  gradient[OUTER_ANGLE] = (-(plus + minus) / 2) * (Math.sin(lines.outer) / Math.cos(lines.outer) ** 2);
  let offsetVariance = 0;
  for (let p = 0; p < PARAMETERS; p++)
    for (let q = 0; q < PARAMETERS; q++) offsetVariance += gradient[p] * covariance[p][q] * gradient[q];

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
  return {
    lines,
    offsetPx: offsetOf(lines),
    offsetSigmaPx: Math.sqrt(Math.max(0, offsetVariance) * Math.max(1, chi2)),
    distancePx: greenCentroid(profile, samples.channels),
    spots: spotFits(samples, model),
    chi2,
    misfit: left,
    q: model.cross.defocusQ(offsetOf(lines), lines.airyPx),
    explained: 1 - left / Math.max(1e-12, light),
  };
}

function greenCentroid(profile: Profile, channels: number): number {
  const channel = channels === 1 ? 0 : 1;
  let sum = 0;
  let moment = 0;
  for (let k = 0; k < profile.nodes; k++) {
    const value = Math.max(0, profile.values[k * channels + channel]);
    sum += value;
    moment += value * (profile.from + k * profile.step);
  }
  return sum > 0 ? moment / sum : 0;
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
