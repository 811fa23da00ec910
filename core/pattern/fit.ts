/**
 * Fits three lines to the six first-order spots.
 *
 * Dispersion smears a spot along its line only, so a spot is nearly separable: I_c(r, t) = A · F_c(r) · G(t − d; r),
 * r along the line, t across it. F_c, the light's spectrum as channel c sees it, is the same for all
 * six spots and is taken from the picture itself. G is the zone's line spread (see profiles.ts) about
 * its mean ray, lopsided by as much defocus as the offset itself tells; what is not separable mixing.ts adds,
 * and interference.ts what neighbouring zones' light has in common.
 * Where a line lies is told by t alone, so neither the star's place (often saturated) nor the spectrum enters
 * the offset to first order. All six spots are fitted together, because neighbours overlap; saturated samples
 * are left out.
 */
import { conclude, type Fit } from './conclude.ts';
import { jointStep, moved, normalEquations } from './equations.ts';
import { type Lines, offsetOf, widthOf } from './lines.ts';
import {
  buildInterference,
  buildMixing,
  buildProfiles,
  followOffset,
  type Knowledge,
  type Model,
  startModel,
  updateNoise,
} from './model.ts';
import type { RoughPattern } from './rough.ts';
import type { Samples } from './samples.ts';
import { evaluate } from './terms.ts';

/**
 * How long to go on: descents, steps in each; whether mixing and interference count, how strange light does, and how far
 * the model is trusted.
 */
export interface Effort {
  turns: number;
  rounds: number;
  mixing: boolean;
  interference: boolean;
  /** Whether spherical aberration is looked for. */
  spherical: boolean;
  /** See `Model`. */
  freedom: number;
  /** Share of the peak to which the model can be trusted. */
  trust: number;
}

/** Enough to tell one start from another. */
export const QUICK: Effort = {
  turns: 2,
  rounds: 5,
  mixing: false,
  interference: false,
  spherical: false,
  freedom: Infinity,
  trust: 0.003,
};
/**
 * From a good start as well as can be; in faint light, seen by all channels, mixing does not show. The light's wings are not
 * known better than to half a thousandth of the peak.
 */
export const FINE: Effort = {
  turns: 5,
  rounds: 2,
  mixing: true,
  interference: false,
  spherical: false,
  freedom: 20,
  trust: 0.0005,
};
/** The last word, from where FINE has come. */
export const FINEST: Effort = { ...FINE, interference: true };

/** Move of the offset, in widths of the spots, after which mixing and what zones have in common are computed again. */
const STALE = 0.1;

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
  const model = startModel(samples, rough, known, effort, start);
  for (let turn = 0; turn < effort.turns; turn++) {
    // Weights and the profiles' defocus follow the fit only between descents, so that each has one aim.
    if (turn > 0) followOffset(model);
    const from = model.offset;
    const mixes = effort.mixing && samples.channel !== null;
    const isStale = ({ offsetPx }: { offsetPx: number }) =>
      turn === 0 || Math.abs(offsetPx - model.offset) > STALE * widthOf(model.lines);
    if (mixes && isStale(model.mixing)) buildMixing(model);
    if (effort.interference && isStale(model.interference)) buildInterference(model);
    // As the model starts it has been evaluated already.
    if (turn > 0 || mixes || effort.interference) evaluate(samples, model);
    if (turn > 0) updateNoise(samples, model);
    if (!descend(samples, model, effort.rounds)) return null;
    if (start && Math.abs(offsetOf(model.lines) - from) < 0.02 * widthOf(model.lines)) break;
  }
  updateNoise(samples, model);
  return conclude(samples, model, normalEquations(samples, model));
}

/** What the cost must fall by for another step, and the share of it. */
const LEAST_GAIN = 0.02;
const LEAST_GAIN_SHARE = 1e-3;
/** A step that moves the lines by less than this part of their width does as it promises. */
const SURE_STEP = 0.05;

/**
 * Levenberg–Marquardt with fixed weights, and fixed defocus but where it tells of the offset. The terms are then those of the lines; the equations are not.
 * @returns false when the equations have no solution
 */
function descend(samples: Samples, model: Model, rounds: number): boolean {
  let equations = normalEquations(samples, model);
  let damping = 1e-3;
  for (let round = 0; round < rounds && damping < 1e4; ) {
    const step = jointStep(equations, damping, model);
    if (!step) return false;
    const { lines, profile, offset } = model;
    model.lines = moved(model, step.geometry);
    if (model.byOffset) model.offset = offsetOf(model.lines);
    model.profile = { ...profile, values: profile.values.map((value, k) => value + step.spectrum[k]) };
    buildProfiles(model);
    evaluate(samples, model);
    const leastGain = LEAST_GAIN + LEAST_GAIN_SHARE * equations.cost;
    const moves = lines.across.map((across, zone) => Math.abs(model.lines.across[zone] - across));
    if (step.gain < leastGain && Math.max(...moves) < SURE_STEP * widthOf(lines)) return true;
    const next = normalEquations(samples, model);
    if (next.cost > equations.cost) {
      Object.assign(model, { lines, profile, offset });
      buildProfiles(model);
      evaluate(samples, model);
      damping = Math.max(1e-2, damping * 10);
      continue;
    }
    const gained = equations.cost - next.cost;
    equations = next;
    damping /= 8;
    round++;
    if (gained < leastGain) break;
  }
  return true;
}
