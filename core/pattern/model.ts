/**
 * The model of the six spots: what it consists of, and what it says at a sample.
 * The reasons for its form stand in fit.ts.
 */

import type { ZoneShape } from '../optics/mask.ts';
import type { Effort } from './fit.ts';
import { Interference } from './interference.ts';
import { blurOf, copyLines, type Lines, offsetOf, PAIRS, SIGN, ZONES } from './lines.ts';
import { Mixing } from './mixing.ts';
import { CrossProfiles } from './profiles.ts';
import type { RoughPattern } from './rough.ts';
import { INNER, OUTER, QUANTISATION, type Samples } from './samples.ts';
import { emptyTerms, evaluate, modelLight, spectrumSeen, type Terms } from './terms.ts';

/** Radial profile: nodes × channels, linear between nodes. */
export interface Profile {
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
  /** Whether the mask is known to have this layout, and is not only tried for it. */
  isTold: boolean;
  /** λN at 550 nm in px when f-number and pixel size are known. */
  airyPx: number | null;
}

/** The model at one point of the parameters: profiles across the lines, light along them. */
export interface Model {
  lines: Lines;
  /** Offset that the profiles' defocus and the zones' places along the lines are made for, px. */
  offset: number;
  cross: CrossProfiles;
  /** Derivatives by λN and by the blur, taken at the start of each descent. */
  byAiry: CrossProfiles;
  byBlur: CrossProfiles;
  /** By spherical aberration, where it is fitted. */
  byW: CrossProfiles | null;
  /** By the offset, through the defocus that it implies, where that tells of it. */
  byOffset: CrossProfiles | null;
  /** What makes spots not separable; empty while samples have several channels. */
  mixing: Mixing;
  /** What zones' spots have in common; mostly empty. */
  interference: Interference;
  profile: Profile;
  /** What the above says at each sample; `evaluate` brings it up to it. */
  terms: Terms;
  noise: Noise;
  /** Inverse variance of each sample and channel, kept while steps are compared. */
  weights: Float32Array;
  /** Degrees of freedom of the noise as Student's t; infinite for Gaussian noise. */
  freedom: number;
  /** Whether each zone's spots have a blur of their own. */
  splitsBlur: boolean;
  known: Knowledge;
  distancePx: number;
}

/** The model to start from; `start` gives the geometry when an earlier fit is refined. */
export function startModel(
  samples: Samples,
  rough: RoughPattern,
  known: Knowledge,
  { freedom, spherical: fitsW, trust, mixing: isFine }: Pick<Effort, 'freedom' | 'spherical' | 'trust' | 'mixing'>,
  start?: Lines,
): Model {
  const lines = start ? copyLines(start) : startLines(rough, known);
  const profiles = () => new CrossProfiles(known.shape, lines.outer);
  const model: Model = {
    lines,
    offset: offsetOf(lines),
    cross: profiles(),
    byAiry: profiles(),
    byBlur: profiles(),
    byW: fitsW ? profiles() : null,
    byOffset: null,
    mixing: new Mixing(),
    interference: new Interference(),
    profile: startProfile(rough.distancePx, samples),
    terms: emptyTerms(samples),
    noise: { sky: noiseFloor(samples, trust), gain: new Float64Array(samples.channels).fill(1e-3) },
    weights: new Float32Array(samples.value.length),
    freedom,
    // Trails and shake blur each line differently, which shows where diffraction is known and colours are summed.
    splitsBlur: known.airyPx !== null && samples.channel !== null,
    known,
    distancePx: rough.distancePx,
  };
  if (isFine && shapeTells(model)) model.byOffset = profiles();
  buildProfiles(model);
  buildDerivatives(model);
  evaluate(samples, model);
  model.profile.values = spectrumSeen(model, samples.value, samples.channels);
  updateNoise(samples, model, Infinity);
  return model;
}

/** Defocus, as Q = dz / λN², from which a half disc's spread tells more of the offset than its errors would spoil. */
const TELLING_Q = 1.5;

/**
 * Whether the zones' shape tells of the offset. Halves spread to one side, by as much as they are out of focus; strips to
 * both sides alike, so that blur, a planet's disc or aberration can be taken for defocus.
 */
function shapeTells({ known, cross, lines, offset }: Model): boolean {
  if (!known.isTold || known.airyPx === null || known.shape.layout !== 'half') return false;
  return Math.abs(cross.waveOf(offset, lines.airyPx, lines.w).q) > TELLING_Q;
}

function startLines({ pairs, distancePx }: RoughPattern, { airyPx }: Knowledge): Lines {
  const radians = Math.PI / 180;
  return {
    angle: pairs.middle.angleDeg * radians,
    outer: ((pairs.plus.angleDeg - pairs.minus.angleDeg) / 2) * radians,
    across: ZONES.map((zone) => pairs[zone].shiftPx),
    along: [0, 0, 0],
    amplitude: [1, 1, 1],
    phases: PAIRS.flatMap(() => [0, 0]),
    airyPx: airyPx ?? 0.025 * distancePx,
    w: 0,
    blurPx: ZONES.map(() => Math.max(0.5, 0.05 * distancePx)),
  };
}

function startProfile(distancePx: number, samples: Samples): Profile {
  const step = Math.max(1, samples.stepPx, distancePx / 24);
  const nodes = Math.ceil(((OUTER - INNER) * distancePx) / step) + 1;
  return { from: INNER * distancePx, step, nodes, values: new Float64Array(nodes * samples.channels) };
}

/**
 * A sky with less noise than so many times what quantisation makes is silent: JPEG has rounded its noise away. That of a
 * mosaic never is, as the mosaic is found by it.
 */
const SILENT = 1.5;
/** What JPEG did to the spots of such a picture the sky does not show: it is trusted less by this factor. */
const SILENT_TRUST = 3;

/**
 * Sky noise of each channel, but no less than what the model itself can be trusted to.
 * @param trust share of the peak
 */
function noiseFloor({ channels, value, skyNoise, stepPx }: Samples, trust: number): Float64Array {
  const share = Math.min(...skyNoise) < (SILENT * QUANTISATION) / stepPx ? SILENT_TRUST * trust : trust;
  const peak = new Float64Array(channels);
  for (let k = 0; k < value.length; k++) if (value[k] > peak[k % channels]) peak[k % channels] = value[k];
  return skyNoise.map((noise, c) => Math.hypot(noise, share * peak[c]));
}

export function buildProfiles({ lines, offset, cross, profile, distancePx }: Model): void {
  const to = profile.from + profile.step * (profile.nodes - 1);
  const wave = cross.waveOf(offset, lines.airyPx, lines.w);
  cross.build(lines.airyPx, lines.blurPx, wave, distancePx, profile.from, to);
}

export function buildMixing({ lines, offset, cross, mixing, profile, distancePx }: Model): void {
  mixing.build(cross, profile, offset, lines.airyPx, lines.w, blurOf(lines), distancePx);
}

export function buildInterference({ lines, offset, cross, interference, profile, distancePx }: Model): void {
  const to = profile.from + profile.step * (profile.nodes - 1);
  const angles = SIGN.map((sign) => sign * lines.outer);
  interference.build(cross, offset, angles, lines.airyPx, lines.w, blurOf(lines), distancePx, profile.from, to);
}

/** Relative step of λN for its derivative, and step of W040. */
const DELTA = 0.03;
const DELTA_W = 0.05;
/** Step of Q for the derivative by the offset. */
const DELTA_Q = 0.1;

function buildDerivatives(model: Model): void {
  const { lines, offset, cross, byAiry, byBlur, byW, byOffset, known, distancePx } = model;
  const { airyPx, blurPx, w } = lines;
  const wider = airyPx * (1 + DELTA);
  // The defocus in pixels stays the same, so Q shrinks as λN grows.
  if (known.airyPx === null)
    byAiry.buildDerivative(cross, wider, blurPx, cross.waveOf(offset, wider, w), distancePx, DELTA * airyPx);
  byBlur.buildByBlur(cross, blurPx);
  byW?.buildDerivative(cross, airyPx, blurPx, cross.waveOf(offset, airyPx, w + DELTA_W), distancePx, DELTA_W);
  const on = DELTA_Q * cross.slope * airyPx;
  byOffset?.buildDerivative(cross, airyPx, blurPx, cross.waveOf(offset + on, airyPx, w), distancePx, on);
}

/** Brings the profiles up to the defocus that the lines now tell; unless it tells of the offset itself it is kept during a descent. */
export function followOffset(model: Model): void {
  model.offset = offsetOf(model.lines);
  buildProfiles(model);
  buildDerivatives(model);
}

export function variance(noise: Noise, channel: number, model: number): number {
  return noise.sky[channel] ** 2 + (model > 0 ? noise.gain[channel] * model : 0);
}

/**
 * Each channel has its own gain: JPEG's coarse colour makes red and blue noisier than their photons. Weights of
 * Student's t let what stands far out, a hot pixel or another light, count for less (Lange, Little & Taylor,
 * J. Am. Stat. Assoc. 84, 881 (1989)).
 * @param gainFreedom degrees of freedom for the gain: infinite while the one so far is a mere guess
 */
export function updateNoise(samples: Samples, model: Model, gainFreedom = model.freedom): void {
  const { noise, weights, freedom } = model;
  const { channels, value } = samples;
  const top = new Float64Array(channels);
  const bottom = new Float64Array(channels);
  const light = modelLight(samples, model);
  for (let place = 0; place < value.length; place++) {
    const channel = place % channels;
    // Saturated samples are NaN, and nothing is larger than that.
    if (!(light[place] >= 2 * noise.sky[channel]) || Number.isNaN(value[place])) continue;
    const residual = value[place] - light[place];
    const square = variance(noise, channel, light[place]);
    const weight = 1 / square ** 2;
    const strange = (1 + 1 / gainFreedom) / (1 + (residual * residual) / (gainFreedom * square));
    top[channel] += weight * light[place] * (strange * residual * residual - noise.sky[channel] ** 2);
    bottom[channel] += weight * light[place] * light[place];
  }
  for (let c = 0; c < channels; c++) if (bottom[c] > 0) noise.gain[c] = Math.max(1e-5, top[c] / bottom[c]);
  for (let place = 0; place < value.length; place++) {
    const channel = place % channels;
    if (Number.isNaN(value[place])) {
      weights[place] = 1 / noise.sky[channel] ** 2;
      continue;
    }
    const residual = value[place] - light[place];
    const square = variance(noise, channel, light[place]);
    weights[place] = (1 + 1 / freedom) / (square + (residual * residual) / freedom);
  }
}
