/** Gauss–Newton equations of the model, with the spectrum kept apart from the geometry. */

import { meanRay } from '../optics/lineSpread.ts';
import type { ZoneLayout } from '../optics/mask.ts';
import { blurOf, type Lines, offsetByAcross, offsetByOuter, PAIRS, SIGN, widthOf, ZONES } from './lines.ts';
import type { Model } from './model.ts';
import type { CrossProfiles } from './profiles.ts';
import type { Samples } from './samples.ts';
import { cholesky, copyOf, dot, rowsOf, solve, substitute } from './solve.ts';
import { lightAt, PHASE_COUNT } from './terms.ts';

/** Places of the geometry's parameters; three in a row where each zone has its own. */
export const ANGLE = 0;
export const OUTER_ANGLE = 1;
export const ACROSS = 2;
export const ALONG = 5;
export const AMPLITUDE = 8;
export const BLUR = 11;
export const AIRY = 14;
/** Cosine and sine of each of PAIRS. */
export const SPHERICAL = 15;
export const PHASES = 16;
export const PARAMETERS = PHASES + PHASE_COUNT;

/** Normal equations; the spectrum's own blocks are kept apart by channel, since channels do not share nodes. */
export interface Equations {
  /** Weighted sum of squared residuals plus priors. */
  cost: number;
  /** Geometry with geometry, and its right-hand side. */
  geometry: Float64Array[];
  right: Float64Array;
  /** For each channel: spectrum with spectrum, geometry with spectrum, right-hand side. */
  spectrum: { own: Float64Array[]; mixed: Float64Array[]; right: Float64Array }[];
}

/** Parameters that matter at a sample, by which zones' spots reach it (bit 0 for zone 0, and so on). */
function activeBySpots({ known, splitsBlur, interference, byW, byOffset }: Model): Uint8Array[] {
  return Array.from({ length: 8 }, (_, zones) => {
    const ofZone = (zone: number) => (zones & (1 << zone)) !== 0;
    const isActive = (parameter: number) => {
      if (parameter < ACROSS) return true;
      if (parameter >= PHASES) return !interference.isEmpty && PAIRS[(parameter - PHASES) >> 1].some(ofZone);
      if (parameter === AIRY) return known.airyPx === null;
      if (parameter === SPHERICAL) return byW !== null;
      if (parameter >= BLUR && !splitsBlur) return parameter === BLUR;
      // All three lines tell the offset, and it every zone's shape.
      if (byOffset && parameter >= ACROSS && parameter < ALONG) return true;
      return ofZone((parameter - ACROSS) % 3);
    };
    return Uint8Array.from({ length: PARAMETERS }, (_, parameter) => parameter).filter(isActive);
  });
}

/** The model's derivatives at one sample and channel. */
interface Row {
  /** By the geometry's parameters; only those in `active` are set. */
  geometry: Float64Array;
  active: Uint8Array;
  /** By the spectrum: `used` nodes and their weights. */
  nodeAt: Int32Array;
  nodeWeight: Float64Array;
  used: number;
  /** What the model leaves of the sample's light, and the weight of its square. */
  residual: number;
  weight: number;
}

/** Calls `visit` for each sample and channel that is not saturated; `row.used` is 0 where no spot reaches. */
export function forEachRow(
  samples: Samples,
  model: Model,
  visit: (row: Row, i: number, channel: number) => void,
): void {
  const { channels, value, side } = samples;
  const { profile, weights, known, splitsBlur, terms, byAiry, byBlur, byW, byOffset } = model;
  const { amplitude, along, outer } = model.lines;
  const offsetBy = { across: offsetByAcross(outer), outer: offsetByOuter(model.lines) };
  const { node, fraction, r, t, g, slope, mixed, mixedSlope, shared, byPhase, isNear } = terms;
  const active = activeBySpots(model);
  const geometry = new Float64Array(PARAMETERS);
  const row: Row = {
    geometry,
    active: active[0],
    nodeAt: new Int32Array(6),
    nodeWeight: new Float64Array(6),
    used: 0,
    residual: 0,
    weight: 0,
  };
  const unused = { slope: 0 };
  for (let i = 0; i < samples.count; i++) {
    let used = 0;
    let zones = 0;
    for (let zone = 0, k = 3 * i; zone < 3; zone++, k++) {
      if (!isNear[k]) continue;
      zones |= 1 << zone;
      const reach = amplitude[zone] * g[k] + shared[k];
      row.nodeAt[used] = node[k];
      row.nodeWeight[used++] = reach * (1 - fraction[k]);
      row.nodeAt[used] = node[k] + 1;
      row.nodeWeight[used++] = reach * fraction[k];
    }
    row.used = used;
    row.active = active[zones];
    for (let c = 0; c < channels; c++) {
      const observed = value[i * channels + c];
      if (Number.isNaN(observed)) continue;
      let light = 0;
      for (let a = 0; a < row.active.length; a++) geometry[row.active[a]] = 0;
      for (let zone = 0, k = 3 * i; zone < 3; zone++, k++) {
        if (node[k] < 0) continue;
        const seen = lightAt(profile, terms, k, c, channels);
        const a = amplitude[zone] * seen;
        light += a * g[k] + seen * shared[k] + amplitude[zone] * mixed[k];
        if (!isNear[k]) continue;
        const at = node[k] * channels + c;
        const rise = (profile.values[at + channels] - profile.values[at]) / profile.step;
        const byAcross = -a * slope[k] - amplitude[zone] * mixedSlope[k];
        // Turning a line by dα carries its spots across it by side · r · dα.
        const byAngle = byAcross * (side[i] * r[k] + along[zone]);
        geometry[ANGLE] += byAngle;
        geometry[OUTER_ANGLE] += SIGN[zone] * byAngle;
        geometry[ACROSS + zone] += byAcross;
        geometry[ALONG + zone] = -side[i] * amplitude[zone] * rise * g[k];
        geometry[AMPLITUDE + zone] = seen * g[k] + mixed[k];
        if (byPhase.length > 0)
          for (let phase = 0; phase < PHASE_COUNT; phase++)
            geometry[PHASES + phase] += seen * byPhase[PHASE_COUNT * k + phase];
        if (known.airyPx === null) geometry[AIRY] += a * byAiry.at(zone, t[k], r[k], unused);
        if (byOffset) {
          const byShape = a * byOffset.at(zone, t[k], r[k], unused);
          geometry[OUTER_ANGLE] += byShape * offsetBy.outer;
          for (let line = 0; line < 3; line++) geometry[ACROSS + line] += byShape * offsetBy.across[line];
        }
        if (byW) geometry[SPHERICAL] += a * byW.at(zone, t[k], r[k], unused);
        geometry[BLUR + (splitsBlur ? zone : 0)] += a * byBlur.at(zone, t[k], r[k], unused);
      }
      row.residual = observed - light;
      row.weight = weights[i * channels + c];
      visit(row, i, c);
    }
  }
}

export function normalEquations(samples: Samples, model: Model): Equations {
  const { nodes } = model.profile;
  const geometry = new Float64Array(PARAMETERS * PARAMETERS);
  const right = new Float64Array(PARAMETERS);
  const spectrum = Array.from({ length: samples.channels }, () => ({
    own: new Float64Array(nodes * nodes),
    mixed: new Float64Array(PARAMETERS * nodes),
    right: new Float64Array(nodes),
  }));
  const values = new Float64Array(PARAMETERS);
  let cost = 0;
  forEachRow(samples, model, (row, _, c) => {
    const { active, nodeAt, nodeWeight, used, residual, weight } = row;
    cost += weight * residual * residual;
    if (used === 0) return;
    const count = active.length;
    for (let a = 0; a < count; a++) values[a] = row.geometry[active[a]];
    for (let a = 0; a < count; a++) {
      const p = active[a];
      const weighted = weight * values[a];
      right[p] += weighted * residual;
      for (let b = 0, at = p * PARAMETERS; b <= a; b++) geometry[at + active[b]] += weighted * values[b];
    }
    const { own, mixed, right: spectrumRight } = spectrum[c];
    for (let k = 0; k < used; k++) {
      const weighted = weight * nodeWeight[k];
      const node = nodeAt[k];
      spectrumRight[node] += weighted * residual;
      for (let a = 0; a < count; a++) mixed[active[a] * nodes + node] += weighted * values[a];
      for (let l = 0, at = node * nodes; l < used; l++) own[at + nodeAt[l]] += weighted * nodeWeight[l];
    }
  });
  const equations: Equations = {
    cost,
    geometry: rowsOf(geometry, PARAMETERS),
    right,
    spectrum: spectrum.map(({ own, mixed, right }) => ({
      own: rowsOf(own, nodes),
      mixed: rowsOf(mixed, nodes),
      right,
    })),
  };
  mirror(equations.geometry);
  for (const { own } of equations.spectrum) {
    let largest = 0;
    for (let k = 0; k < own.length; k++) largest = Math.max(largest, own[k][k]);
    // Nodes that no sample reaches stay where they are.
    for (let k = 0; k < own.length; k++) own[k][k] += 1e-6 * largest + 1e-12;
  }
  equations.cost += addPriors(equations.geometry, right, model);
  return equations;
}

/** Makes a matrix symmetric whose lower half is filled. */
function mirror(matrix: Float64Array[]): void {
  for (let p = 0; p < matrix.length; p++) for (let q = 0; q < p; q++) matrix[q][p] = matrix[p][q];
}

/** Geometry's equations with the spectrum eliminated (Schur complement), damped. */
export function eliminated(equations: Equations, damping: number) {
  const matrix = copyOf(equations.geometry);
  const right = equations.right.slice();
  const answers: { byGeometry: Float64Array[]; alone: Float64Array }[] = [];
  for (let p = 0; p < PARAMETERS; p++) matrix[p][p] *= 1 + damping;
  for (const { own, mixed, right: spectrumRight } of equations.spectrum) {
    const damped = copyOf(own);
    for (let k = 0; k < damped.length; k++) damped[k][k] *= 1 + damping;
    const lower = cholesky(damped);
    if (!lower) return null;
    const alone = substitute(lower, spectrumRight);
    const byGeometry = mixed.map((line) => substitute(lower, line));
    for (let p = 0; p < PARAMETERS; p++) {
      right[p] -= dot(mixed[p], alone);
      for (let q = 0; q <= p; q++) matrix[p][q] -= dot(mixed[p], byGeometry[q]);
    }
    answers.push({ byGeometry, alone });
  }
  mirror(matrix);
  return { matrix, right, answers };
}

/** The damped step of geometry and of the spectrum (nodes × channels), and how much less the cost should then be. */
export function jointStep(
  equations: Equations,
  damping: number,
  { lines, distancePx }: Model,
): { geometry: Float64Array; spectrum: Float64Array; gain: number } | null {
  const reduced = eliminated(equations, damping);
  const geometry = reduced && solve(reduced.matrix, reduced.right);
  if (!geometry) return null;
  // Limited first: the spectrum then answers to the step that is really taken.
  limitStep(geometry, lines, distancePx);
  let gain = dot(equations.right, geometry);
  const channels = equations.spectrum.length;
  const nodes = equations.spectrum[0].right.length;
  const spectrum = new Float64Array(nodes * channels);
  reduced.answers.forEach(({ byGeometry, alone }, c) => {
    for (let k = 0; k < nodes; k++) {
      let value = alone[k];
      for (let p = 0; p < PARAMETERS; p++) value -= byGeometry[p][k] * geometry[p];
      spectrum[k * channels + c] = value;
      gain += equations.spectrum[c].right[k] * value;
    }
  });
  return { geometry, spectrum, gain };
}

/** Weak knowledge that holds the parameters where the picture says nothing. */
function addPriors(
  matrix: Float64Array[],
  right: Float64Array,
  { lines, offset, cross, known, splitsBlur, byW, distancePx }: Model,
): number {
  let cost = 0;
  /** A linear combination of parameters that ought to be `deviation` less than it is. */
  const priorOf = (row: [parameter: number, factor: number][], deviation: number, sigma: number) => {
    for (const [p, factor] of row) {
      right[p] -= (factor * deviation) / sigma ** 2;
      for (const [q, other] of row) matrix[p][q] += (factor * other) / sigma ** 2;
    }
    cost += (deviation / sigma) ** 2;
  };
  const prior = (parameter: number, deviation: number, sigma: number) => priorOf([[parameter, 1]], deviation, sigma);
  const zones = [0, 1, 2];
  for (const zone of zones) {
    const { centroidAlong, cubicAlong } = cross.zones[zone];
    if (known.isTold) {
      const byAcross = alongByAcross(lines.outer, cross, zone);
      // What spherical aberration adds across the lines is no defocus.
      const alongByW =
        64 * lines.airyPx * byAcross.reduce((sum, by, line) => sum - by * cross.zones[line].cubicAcross, cubicAlong);
      const place = byAcross.reduce((sum, by, line) => sum + by * lines.across[line], alongByW * lines.w);
      const row = zones.map((line): [number, number] => [ACROSS + line, -byAcross[line]]);
      const deviation = lines.along[zone] - place;
      priorOf(
        [[ALONG + zone, 1], ...row, [SPHERICAL, -alongByW]],
        deviation,
        ALONG_TRUST[known.shape.layout] * distancePx,
      );
    } else {
      const wave = cross.waveOf(offset, lines.airyPx, lines.w);
      const place = lines.airyPx * meanRay(wave, centroidAlong, cubicAlong);
      prior(ALONG + zone, lines.along[zone] - place, 0.03 * distancePx);
    }
  }
  prior(SPHERICAL, byW ? lines.w : 0, byW ? W_SPREAD : 1e-6);
  // The radial profile is free: the amplitudes' common factor is not told by the picture.
  const meanAmplitude = (lines.amplitude[0] + lines.amplitude[1] + lines.amplitude[2]) / 3;
  priorOf(
    zones.map((zone) => [AMPLITUDE + zone, 1 / 3]),
    meanAmplitude - 1,
    0.01,
  );
  if (known.airyPx !== null) prior(AIRY, lines.airyPx - known.airyPx, 1e-6 * known.airyPx);
  else prior(AIRY, lines.airyPx - 0.025 * distancePx, 0.0125 * distancePx);
  for (const zone of zones) {
    prior(BLUR + zone, splitsBlur || zone === 0 ? lines.blurPx[zone] : 0, 0.3 * distancePx);
    if (!splitsBlur) continue;
    const mean = blurOf(lines);
    const row = zones.map((other): [number, number] => [BLUR + other, (other === zone ? 1 : 0) - 1 / 3]);
    priorOf(row, lines.blurPx[zone] - mean, BLUR_SPREAD * mean);
  }
  // A cosine or sine of a phase that may be anything.
  for (let k = 0; k < lines.phases.length; k++) prior(PHASES + k, lines.phases[k], Math.SQRT1_2);
  return cost;
}

/** W040 of lenses, waves; without it being fitted it stays as it is. */
const W_SPREAD = 0.5;

/**
 * How far a zone's place along its line may be from where star and defocus put it, parts of the spots' distance. Strips
 * side by side along u show most of their defocus there, the others hardly any, and what moves their spots otherwise.
 */
const ALONG_TRUST: Record<ZoneLayout, number> = { half: 0.001, 'strips-n': 0.001, 'strips-u': 0.0001 };

/**
 * Star and defocus alone place the zones' spots, at S + W · c for a zone's centroid c. The places across the three lines
 * tell both, and so where each zone stands along its own line: most of what strips side by side along u show of defocus.
 * @returns place along the zone's line by each line's place across
 */
function alongByAcross(outer: number, { slope, zones }: CrossProfiles, zone: number): number[] {
  const [cos, sin] = [Math.cos(outer), Math.sin(outer)];
  const turn = SIGN[zone] * outer;
  const byOffset = offsetByAcross(outer);
  return ZONES.map((_, line) => {
    const byDefocus = byOffset[line] / slope;
    const plus = (line === 1 ? 1 : 0) - byDefocus * zones[1].centroidAcross;
    const minus = (line === 2 ? 1 : 0) - byDefocus * zones[2].centroidAcross;
    const starAlongU = (minus - plus) / (2 * sin);
    const starAlongN = (minus + plus) / (2 * cos);
    return starAlongU * Math.cos(turn) + starAlongN * Math.sin(turn) + byDefocus * zones[zone].centroidAlong;
  });
}

/** By how much the zones' blur may differ, as a share of it. */
const BLUR_SPREAD = 0.5;

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
  limit(SPHERICAL, -0.2);
  limit(AIRY, Math.max(-0.25 * lines.airyPx, 0.15 - lines.airyPx), 0.25 * lines.airyPx);
  lines.blurPx.forEach((blur, zone) => {
    limit(BLUR + zone, Math.max(-0.25 * blur, 0.3 - blur), 0.25 * blur);
  });
}

/** The lines after a step. */
export function moved({ lines, splitsBlur }: Model, step: Float64Array): Lines {
  const by = (first: number) => (value: number, k: number) => value + step[first + k];
  return {
    angle: lines.angle + step[ANGLE],
    outer: lines.outer + step[OUTER_ANGLE],
    across: lines.across.map(by(ACROSS)),
    along: lines.along.map(by(ALONG)),
    amplitude: lines.amplitude.map(by(AMPLITUDE)),
    phases: lines.phases.map(by(PHASES)),
    airyPx: lines.airyPx + step[AIRY],
    w: lines.w + step[SPHERICAL],
    blurPx: lines.blurPx.map((blur, zone) => blur + step[BLUR + (splitsBlur ? zone : 0)]),
  };
}
