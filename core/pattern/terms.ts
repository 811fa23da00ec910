/** What the model says at each sample, term by term, so that whoever asks for the same lines again need not compute it anew. */

import { type Lines, PAIRS, SIGN } from './lines.ts';
import type { Model, Profile } from './model.ts';
import type { Samples } from './samples.ts';

/** What the three spots on a sample's own side contribute to it: three values in a row for each sample, and room for more. */
export interface Terms {
  /** Place in the spectrum; −1 out of the spot's reach, where the profile is 0 and the rest means nothing. */
  node: Int32Array;
  fraction: Float64Array;
  /** Along the line from the origin, positive outwards, px. */
  r: Float64Array;
  /** Across the line from its middle, px. */
  t: Float64Array;
  /** Cross profile, and its derivative by t. */
  g: Float64Array;
  slope: Float64Array;
  /** Light that mixing adds, and its derivative by t. */
  mixed: Float64Array;
  mixedSlope: Float64Array;
  /** Light, relative to the spectrum, that is there by interference with the other zones. */
  shared: Float64Array;
  /** The same by each of the lines' `phases`: so many values for each term; empty until there is interference. */
  byPhase: Float64Array;
  /** 1 where it is not only the far wing of its light, which tells nothing about the spot, but is light for the others. */
  isNear: Uint8Array;
  /** See `modelLight`. */
  light: Float64Array;
}

/** Cosines and sines of phases. */
export const PHASE_COUNT = 2 * PAIRS.length;

/** Of the model made last: to get memory for each one's terms, half a megabyte, would take as long as to fill it. */
let kept = termsOf(0, 0);
let keptByPhase = new Float64Array(0);

function termsOf(places: number, lights: number): Terms {
  const values = () => new Float64Array(places);
  return {
    node: new Int32Array(places),
    fraction: values(),
    r: values(),
    t: values(),
    g: values(),
    slope: values(),
    mixed: values(),
    mixedSlope: values(),
    shared: values(),
    byPhase: new Float64Array(0),
    isNear: new Uint8Array(places),
    light: new Float64Array(lights),
  };
}

/** Memory for a model's terms; whoever used it before has lost them. */
export function emptyTerms({ count, channels }: Samples): Terms {
  if (kept.node.length < 3 * count || kept.light.length < count * channels)
    kept = termsOf(Math.max(3 * count, kept.node.length), Math.max(count * channels, kept.light.length));
  kept.shared.fill(0);
  return { ...kept };
}

/** The terms' values by phase, none known yet. */
function emptyByPhase(count: number): Float64Array {
  const size = 3 * PHASE_COUNT * count;
  if (keptByPhase.length < size) keptByPhase = new Float64Array(size);
  return keptByPhase;
}

const profile = { slope: 0 };
const mix = { light: 0, slope: 0 };

/** Computes the terms for the model as it stands. */
export function evaluate(samples: Samples, model: Model): void {
  const { lines, cross, mixing, interference, terms } = model;
  const { from, step, nodes } = model.profile;
  const { node, fraction, r, t, g, slope, isNear } = terms;
  const { across, along } = lines;
  const cos = SIGN.map((sign) => Math.cos(lines.angle + sign * lines.outer));
  const sin = SIGN.map((sign) => Math.sin(lines.angle + sign * lines.outer));
  if (!interference.isEmpty && terms.byPhase.length === 0) terms.byPhase = emptyByPhase(samples.count);
  for (let i = 0, k = 0; i < samples.count; i++) {
    const x = samples.x[i];
    const y = samples.y[i];
    const side = samples.side[i] as 1 | -1;
    for (let zone = 0; zone < 3; zone++, k++) {
      t[k] = y * cos[zone] - x * sin[zone] - across[zone];
      r[k] = side * (x * cos[zone] + y * sin[zone] - along[zone]);
      const place = (r[k] - from) / step;
      g[k] = place >= 0 && place < nodes - 1 ? cross.at(zone, t[k], r[k], profile) : 0;
      slope[k] = profile.slope;
      isNear[k] = g[k] !== 0 && Math.abs(t[k]) < cross.corePx ? 1 : 0;
      if (g[k] === 0) {
        node[k] = -1;
        continue;
      }
      node[k] = place | 0;
      fraction[k] = place - node[k];
      mixing.at(samples.channel?.[i] ?? 0, zone, side, t[k], r[k], mix);
      terms.mixed[k] = mix.light;
      terms.mixedSlope[k] = mix.slope;
    }
    if (!interference.isEmpty) share(model, lines, side, 3 * i);
  }
}

const common = { re: 0, im: 0 };

/** What each two zones have in common at a sample counts for the nearer one. */
function share({ interference, terms }: Model, { amplitude, phases }: Lines, side: 1 | -1, first: number) {
  const { byPhase, isNear, t, r, shared } = terms;
  byPhase.fill(0, PHASE_COUNT * first, PHASE_COUNT * (first + 3));
  shared.fill(0, first, first + 3);
  for (let pair = 0; pair < PAIRS.length; pair++) {
    const [one, other] = PAIRS[pair];
    const isFirst = Math.abs(t[first + one]) <= Math.abs(t[first + other]);
    const zone = isFirst ? one : other;
    const k = first + zone;
    if (!isNear[k]) continue;
    interference.at(zone, isFirst ? other : one, side, t[k], r[k], common);
    const size = 2 * Math.sqrt(Math.max(0, amplitude[one] * amplitude[other]));
    const byCos = size * common.re;
    const bySin = (isFirst ? -side : side) * size * common.im;
    byPhase[PHASE_COUNT * k + 2 * pair] = byCos;
    byPhase[PHASE_COUNT * k + 2 * pair + 1] = bySin;
    shared[k] += phases[2 * pair] * byCos + phases[2 * pair + 1] * bySin;
  }
}

/** The spectrum at a term's place. */
export function lightAt({ values }: Profile, { node, fraction }: Terms, k: number, channel: number, channels: number) {
  const at = node[k] * channels + channel;
  return values[at] + fraction[k] * (values[at + channels] - values[at]);
}

/**
 * What the model says of each sample and channel, count × channels; there until the next call. Loops over it take no
 * function for each place: handing numbers over would have each of them put into memory.
 */
export function modelLight(
  { count, channels }: Samples,
  { lines: { amplitude }, profile, terms }: Model,
): Float64Array {
  const { node, g, shared, mixed, light } = terms;
  for (let i = 0, place = 0; i < count; i++)
    for (let channel = 0; channel < channels; channel++, place++) {
      let sum = 0;
      for (let zone = 0, k = 3 * i; zone < 3; zone++, k++)
        if (node[k] >= 0)
          sum +=
            (amplitude[zone] * g[k] + shared[k]) * lightAt(profile, terms, k, channel, channels) +
            amplitude[zone] * mixed[k];
      light[place] = sum;
    }
  return light;
}

/**
 * The spectrum that the spots' own samples show at each radius, nodes × channels.
 * @param value light of each sample, count × channels
 */
export function spectrumSeen({ profile, terms }: Model, value: Float32Array, channels: number): Float64Array {
  const { node, fraction, g } = terms;
  const values = new Float64Array(profile.nodes * channels);
  const weights = new Float64Array(values.length);
  for (let place = 0; place < value.length; place++) {
    const observed = value[place];
    if (Number.isNaN(observed)) continue;
    const i = (place / channels) | 0;
    let reach = 0;
    for (let k = 3 * i; k < 3 * i + 3; k++) reach += g[k];
    for (let k = 3 * i; k < 3 * i + 3; k++) {
      if (node[k] < 0) continue;
      const at = node[k] * channels + (place - i * channels);
      const low = g[k] * (1 - fraction[k]);
      const high = g[k] * fraction[k];
      values[at] += low * observed;
      weights[at] += low * reach;
      values[at + channels] += high * observed;
      weights[at + channels] += high * reach;
    }
  }
  for (let k = 0; k < values.length; k++) if (weights[k] > 0) values[k] /= weights[k];
  return values;
}
