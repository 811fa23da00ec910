/** From a frame to a fitted pattern that can be believed, or the reason why there is none. */
import type { PixelImage } from '../frame.ts';
import type { NoPattern, Optics, ReasonCode } from '../measurement.ts';
import { REFERENCE_WAVELENGTH_UM } from '../optics/formulas.ts';
import { cachedCentroids, type Mask, offsetOfShifts, type ZoneLayout, type ZoneShape } from '../optics/mask.ts';
import { findCandidates, spotsOutshine, starNear } from './candidates.ts';
import type { Fit } from './conclude.ts';
import { FINE, FINEST, fitLines, QUICK } from './fit.ts';
import { type Lines, widthOf, ZONES } from './lines.ts';
import type { Knowledge } from './model.ts';
import { findMosaic, type Mosaic, stillShows } from './mosaic.ts';
import { orderOf } from './order.ts';
import type { Level } from './pyramid.ts';
import { reasonWithout } from './reasons.ts';
import { findRough, type RoughPattern } from './rough.ts';
import { coarseSampling, collectSamples, type Samples } from './samples.ts';

/** Star candidates looked at in a frame. */
const CANDIDATES = 6;
/** A rough pattern this good is taken without looking at further candidates. */
const CLEAR_SCORE = 30;
/** Rough patterns fitted, and the share of light explained that ends the search. */
const FITS = 4;
const CLEARLY_EXPLAINED = 0.97;
/** A pattern that fits is kept without trying others whose score is lower by this share. */
const CLEAR_LEAD = 0.13;
/** An offset less sure than this share of the spots' distance says nothing: the spots have broken up. */
const MOST_SIGMA = 0.02;

/** A pattern and where it was looked for. */
export interface Found {
  rough: RoughPattern;
  fit: Fit;
  /** Order of the gratings that the fitted spots are. */
  order: 1 | 3;
  told: Told;
  /** The sensor's pixels, where the picture shows them enlarged. */
  mosaic: Mosaic | null;
  /** What other explanations of the picture, nearly as likely, add to the σ of offsets that are followed from here, px. */
  doubtPx: number;
}

/** What frames so far said of the zones' shape. */
interface Told {
  /** Largest offset at which it was told, px: further out it may be told better. */
  atPx: number;
  /** Frames that may still have a say. */
  wanted: number;
  /** Their misfits together with each of `shapesOf`. */
  misfits: number[];
}

/** A single frame may be faint and easily mistaken. */
const NOTHING_TOLD: Told = { atPx: 0, wanted: 8, misfits: [] };

/** Looks for the pattern anywhere in the frame. */
export function findPattern(image: PixelImage, levels: Level[], optics: Optics): Found | NoPattern {
  const lights = findCandidates(levels);
  const candidates = lights.slice(0, CANDIDATES);
  const maxRadiusPx = Math.min(420, 0.48 * Math.hypot(image.widthPx, image.heightPx));
  let failure: ReasonCode | null = null;
  let best: Found | null = null;
  let bestSamples: Samples | null = null;
  const [shape] = shapesOf(optics.mask);
  const roughs: RoughPattern[] = [];
  for (const candidate of candidates) {
    // The star is the brightest thing of its pattern; saturated spots may look as bright as it does.
    if (roughs.length > 0 && roughs[0].score > CLEAR_SCORE && candidate.peak < 0.8 * candidates[0].peak) break;
    roughs.push(...findRough(levels, candidate, maxRadiusPx));
    roughs.sort((a, b) => b.score - a.score);
  }
  for (const rough of roughs.slice(0, FITS)) {
    if (best && rough.score < (1 - CLEAR_LEAD) * best.rough.score) break;
    if (spotsOutshine(image, levels[0], rough)) {
      failure ??= 'no-spots';
      continue;
    }
    const samples = collectSamples(image, rough, coarseSampling(rough.distancePx));
    const fit = samples && fitLines(samples, rough, knowledge(shape, optics), QUICK);
    if (!fit) continue;
    const doubt = doubtAbout(fit, rough);
    // Third orders too faint to be sure of: the pattern is there, but too small for this picture.
    if (doubt) failure ??= orderOf(levels[0], fit, rough) === 3 ? 'no-spots' : doubt;
    else if (!best || fit.explained > best.fit.explained) {
      best = { rough, fit, order: 1, told: NOTHING_TOLD, mosaic: null, doubtPx: 0 };
      bestSamples = samples;
    }
    if (best && best.fit.explained > CLEARLY_EXPLAINED) break;
  }
  // Strips that ask for much defocus for a small offset can lead astray from a rough start; halves do not.
  const other =
    best && shape.layout !== SHAPES[0].layout
      ? fitLines(bestSamples!, best.rough, knowledge(SHAPES[0], optics), QUICK)
      : null;
  if (best) best.mosaic = findMosaic(image);
  const refined = best && refine(image, best, optics, true, other?.lines);
  if (refined) {
    // Once more from there when the lines moved: the samples then lie where the lines really are.
    const moved = Math.max(
      ...ZONES.map((_, zone) => Math.abs(refined.fit.lines.across[zone] - best!.fit.lines.across[zone])),
    );
    const last =
      moved > 0.15 * widthOf(refined.fit.lines) ? (refine(image, refined, optics, true) ?? refined) : refined;
    const isVague = last.fit.offsetSigmaPx > MOST_SIGMA * last.fit.distancePx;
    const doubt = isVague ? 'too-far' : doubtAboutPattern(last.fit, last.rough);
    if (!doubt) return { ...last, order: orderOf(levels[0], last.fit, last.rough) };
    failure = doubt;
  }
  const reason = reasonWithout(image, levels, lights, failure);
  const [star] = reason === 'no-star' ? [] : lights;
  return { status: 'no-pattern', reason, star: star ? { xPx: star.xPx, yPx: star.yPx } : null };
}

/** Zone shapes in the order they are tried; for strips along u both ways round look the same. */
const SHAPES: ZoneShape[] = [
  { layout: 'half', handedness: 1, ribD: 0 },
  { layout: 'half', handedness: -1, ribD: 0 },
  { layout: 'strips-u', handedness: 1, ribD: 0 },
  { layout: 'strips-n', handedness: 1, ribD: 0 },
  { layout: 'strips-n', handedness: -1, ribD: 0 },
];

/** The shapes a mask may have, the likeliest first. */
function shapesOf(mask: Mask | null): ZoneShape[] {
  if (mask === null) return SHAPES;
  return SHAPES.filter(
    ({ layout, handedness }) =>
      layout === mask.layout && (mask.handedness === null || layout === 'strips-u' || handedness === mask.handedness),
  ).map((shape) => ({ ...shape, ribD: mask.ribD }));
}

/** What a fit with this shape may take as known. */
function knowledge(shape: ZoneShape, { fNumber, pixelUm, mask }: Optics): Knowledge {
  return {
    shape,
    isTold: mask?.layout === shape.layout && (mask.layout === 'strips-u' || mask.handedness !== null),
    airyPx: fNumber !== null && pixelUm !== null ? (REFERENCE_WAVELENGTH_UM * fNumber) / pixelUm : null,
  };
}

/**
 * The pattern of an earlier frame of the same live view, if it is still about where it was.
 * @param before that of the frame before `last`, if there is one
 */
export function followPattern(image: PixelImage, last: Found, before: Found | null, optics: Optics): Found | null {
  const { rough, mosaic } = last;
  const star = starNear(image, rough.xPx, rough.yPx, 0.5 * rough.distancePx);
  if (!star || (mosaic && !stillShows(mosaic, image))) return null;
  const moved = { ...rough, xPx: star.xPx, yPx: star.yPx };
  const fit = before ? goneOn(last.fit, before.fit) : last.fit;
  const found = refine(image, { ...last, rough: moved, fit }, optics, false);
  return found && !doubtAboutPattern(found.fit, found.rough) ? found : null;
}

/** A move of the offset that counts as a turn of the ring, σ. */
const TURNED = 2;

/**
 * The last fit with its lines moved on as they came from the one before: a hand that turns the ring goes on turning it.
 * Of frames so far apart that spots moved by their width nothing is foretold.
 */
function goneOn(last: Fit, before: Fit): Fit {
  const move = Math.abs(last.offsetPx - before.offsetPx);
  if (move < TURNED * last.offsetSigmaPx || move > widthOf(last.lines)) return last;
  const across = last.lines.across.map((place, zone) => 2 * place - before.lines.across[zone]);
  return { ...last, lines: { ...last.lines, across } };
}

/**
 * Fits once more with samples as fine as the spots ask for. Near focus all masks' spots look alike;
 * far from it the zones' shape that explains the picture best is taken.
 * @param finest with what zones have in common, which costs too much for live view
 * @param other geometry to start from as well
 */
function refine(image: PixelImage, found: Found, optics: Optics, finest: boolean, other?: Lines): Found | null {
  const { mosaic } = found;
  const { lines } = found.fit;
  const width = widthOf(lines);
  const degrees = 180 / Math.PI;
  const rough: RoughPattern = {
    ...found.rough,
    distancePx: found.fit.distancePx,
    pairs: {
      middle: { angleDeg: lines.angle * degrees, shiftPx: lines.across[0] },
      plus: { angleDeg: (lines.angle + lines.outer) * degrees, shiftPx: lines.across[1] },
      minus: { angleDeg: (lines.angle - lines.outer) * degrees, shiftPx: lines.across[2] },
    },
  };
  const sampling = {
    blockPx: Math.max(1, Math.floor(BLOCK * width)),
    halfWidthPx: 3.4 * width + 1,
    brightness: mosaic ? mosaic.stepPx * peakSnr(found.fit) > BRIGHT_SNR : peakSnr(found.fit) > FAINT_SNR,
    mosaic,
  };
  const samples = collectSamples(image, rough, sampling);
  if (!samples) return null;
  const shapes = shapesOf(optics.mask);
  const first = (found.told.atPx > 0 && shapes.find((shape) => isAlike(shape, found.fit.shape))) || shapes[0];
  const second = other ? fitLines(samples, rough, knowledge(first, optics), FINE, other) : null;
  let best = fitLines(samples, rough, knowledge(first, optics), FINE, lines);
  if (second && !(best && best.misfit <= second.misfit)) best = second;
  if (!best) return null;
  let tried = [best];
  let { told } = found;
  const isFurther = Math.abs(best.offsetPx) >= FURTHER * told.atPx;
  const isAnew = finest || isFurther;
  if (isAnew || told.wanted > 0) {
    const fits = fitRivals(samples, rough, shapes, best, width, optics);
    tried = fits.filter((fit) => fit !== null);
    if (tried.length > 1) {
      const before = isAnew || told.misfits.length !== shapes.length ? NOTHING_TOLD : told;
      const misfits = fits.map((fit, k) => (fit?.misfit ?? Number.POSITIVE_INFINITY) + (before.misfits[k] ?? 0));
      const [least, next] = misfits.toSorted((a, b) => a - b);
      const isClear = next - least > (CLEARLY_TOLD * best.misfit) / samples.value.length;
      const atPx = Math.max(before.atPx, Math.abs(best.offsetPx));
      told = { atPx, wanted: isClear ? 0 : before.wanted - 1, misfits };
      best = likeliest(fits, misfits, shapes.indexOf(first)) ?? best;
    }
  }
  const keptPx = finest ? 0 : found.doubtPx;
  const { fit, doubtPx, followedPx } =
    finest && samples.channel !== null
      ? lastWord(samples, rough, shapes, tried, best, lines.w, optics)
      : { fit: best, doubtPx: keptPx, followedPx: keptPx };
  const offsetSigmaPx = Math.hypot(fit.offsetSigmaPx, doubtPx);
  return { ...found, rough, fit: { ...fit, offsetSigmaPx }, told, doubtPx: followedPx };
}

/**
 * The likeliest explanation of a picture, with what zones have in common and with spherical aberration looked for.
 * @param tried fits with the shapes that can be told apart, `best` the likeliest of them
 * @param w W040 to look from as well, waves
 * @returns `doubtPx`: what other explanations add to the offset's σ; `followedPx`: to that of offsets followed from here
 */
function lastWord(
  samples: Samples,
  rough: RoughPattern,
  shapes: ZoneShape[],
  tried: Fit[],
  best: Fit,
  w: number,
  optics: Optics,
): { fit: Fit; doubtPx: number; followedPx: number } {
  const { misfit, shape, lines } = best;
  // Strips side by side along the lines have next to nothing in common; faint light tells nothing of it.
  const effort = shape.layout === 'strips-u' ? FINE : FINEST;
  const fitAll = (starts: Pick<Fit, 'shape' | 'lines'>[], startW: number, spherical: boolean): Fit[] =>
    starts
      .map((start) =>
        fitLines(
          samples,
          rough,
          knowledge(start.shape, optics),
          { ...effort, spherical },
          { ...start.lines, w: startW },
        ),
      )
      .filter((fit) => fit !== null);
  // Which way round the outer gratings sit may show only now.
  const rivals = tried.filter((fit) => fit.shape.layout === shape.layout && fit.misfit < NOTHING_LIKE * misfit);
  const plain = fitAll(rivals, 0, false);
  // Near focus one way round has stood for both, but with aberration they differ there, too.
  const untried = shapes
    .filter((other) => other.layout === shape.layout && !tried.some((fit) => isAlike(fit.shape, other)))
    .map((other) => ({ shape: other, lines }));
  const aberrated = [...new Set([w, ...SPHERICAL_STARTS[shape.layout]])]
    .flatMap((startW) => fitAll([...rivals, ...untried], startW, true))
    // Zones that are lit otherwise than they should be have other shapes, which could be taken for aberration.
    .filter((fit) => fit.unevenness < MOST_UNEVEN);
  const others = tried.filter((fit) => fit.shape.layout !== shape.layout);
  const gain = knowledge(shape, optics).airyPx !== null ? SPHERICAL_GAIN : SPHERICAL_GAIN_UNKNOWN;
  const { best: fit, doubtPx } = weighed([...plain, ...others], aberrated, gain, samples.count, best);
  // Followed frames hold the aberration that is found here.
  const held = aberrated.includes(fit)
    ? doubtOfHeld(fit, fitLines(samples, rough, knowledge(fit.shape, optics), effort, fit.lines))
    : 0;
  return { fit, doubtPx, followedPx: Math.hypot(doubtPx, held) };
}

/** What a followed pattern's offset may be wrong by, px, as the spherical aberration that a first look found is held. */
function doubtOfHeld(free: Fit, held: Fit | null): number {
  return held ? Math.sqrt(Math.max(0, free.offsetSigmaPx ** 2 - held.offsetSigmaPx ** 2)) : free.offsetSigmaPx;
}

/** Side of the blocks that samples are means of, in widths of the spots: larger ones lose what spots show, smaller ones take longer. */
const BLOCK = 0.95;

/** Where to start looking for spherical aberration from, waves; strips side by side along the lines can lead astray. */
const SPHERICAL_STARTS: Record<ZoneLayout, number[]> = { half: [0], 'strips-n': [0], 'strips-u': [0, -0.3, 0.3] };
/** How far zones' light may be from what their areas ask for, where spherical aberration is looked for. */
const MOST_UNEVEN = 0.08;
/** Samples that JPEG, mosaic and enlarging make one. */
const SAMPLES_AS_ONE = 30;
/** What spherical aberration must gain in misfit, in samples' worth: without it a picture is explained more simply. */
const SPHERICAL_GAIN = 100;
/** The same where the scale of diffraction is not known: with that free, too, it explains more than there is. */
const SPHERICAL_GAIN_UNKNOWN = 200;

/**
 * The likeliest of fits that explain a picture, and what the others add to its σ, each as far as it is likely
 * (Bayesian model averaging: Hoeting et al., Statistical Science 14, 382 (1999)).
 * @param plain, aberrated without and with spherical aberration
 * @param gain what it must gain in misfit, in samples' worth
 * @param count of the samples
 */
function weighed(
  plain: Fit[],
  aberrated: Fit[],
  gain: number,
  count: number,
  otherwise: Fit,
): { best: Fit; doubtPx: number } {
  const least = Math.min(...[...plain, ...aberrated].map(({ misfit }) => misfit));
  const costOf = (fit: Fit) => ((fit.misfit - least) / least) * count;
  const all = [
    ...plain.map((fit) => ({ fit, cost: costOf(fit) })),
    ...aberrated.map((fit) => ({ fit, cost: costOf(fit) + gain })),
  ].sort((a, b) => a.cost - b.cost);
  if (all.length === 0) return { best: otherwise, doubtPx: 0 };
  const [{ fit: best, cost }] = all;
  let [sum, square] = [0, 0];
  for (const other of all) {
    const weight = Math.exp((cost - other.cost) / (2 * SAMPLES_AS_ONE));
    sum += weight;
    square += weight * (other.fit.offsetPx - best.offsetPx) ** 2;
  }
  return { best, doubtPx: Math.sqrt(square / sum) };
}

/**
 * A fit with each shape that the picture may tell from that of `start`; null where it need not be tried, all of them
 * but `start` near focus.
 */
function fitRivals(
  samples: Samples,
  rough: RoughPattern,
  shapes: ZoneShape[],
  start: Fit,
  widthPx: number,
  optics: Optics,
): (Fit | null)[] {
  const { lines, offsetPx, misfit } = start;
  let worst: ZoneLayout | null = null;
  return shapes.map((shape) => {
    if (isAlike(shape, start.shape)) return start;
    const q = Math.abs(offsetPx) / (slopeOf(shape, lines.outer) * lines.airyPx);
    // Near focus the zones' shapes cannot be told apart, and need not be.
    if (q < LEAST_Q) return null;
    // So far out of focus the spots would be far wider; and where one handedness is nothing like it, so is the other.
    if (q * lines.airyPx > MOST_SPREAD * widthPx || worst === shape.layout) return null;
    const fit = fitLines(samples, rough, knowledge(shape, optics), FINE, lines);
    if (!fit || fit.misfit > NOTHING_LIKE * misfit) worst = shape.layout;
    return fit;
  });
}

/** The fit whose shape explains all frames best; another layout than the one there was must do so clearly. */
function likeliest(fits: (Fit | null)[], misfits: number[], first: number): Fit | null {
  let best = first;
  fits.forEach((fit, k) => {
    const better = fit?.shape.layout === fits[best]?.shape.layout ? 1 : CLEARLY_BETTER;
    if (fit && misfits[k] < better * misfits[best]) best = k;
  });
  return fits[best];
}

/** Spots no brighter than this above the sky's noise need the light of all channels. */
const FAINT_SNR = 10;
/** The same for a mosaic's pixels: brighter ones show well enough what they are by green light alone. */
const BRIGHT_SNR = 100;

function peakSnr({ spots }: Fit): number {
  return Math.min(...spots.map(({ snr }) => snr));
}

/** Defocus, as Q = dz / λN², from which a zone's shape shows in its spots. */
const LEAST_Q = 0.4;
/** Misfit, relative to that of a likelier layout, that another one must come down to: JPEG's noise alone makes a fifth. */
const CLEARLY_BETTER = 0.8;
const NOTHING_LIKE = 1.5;
/** Geometric spread Q · λN of the whole lens, in widths of the spots, that a zone's spots cannot have. */
const MOST_SPREAD = 6;
/** They are told anew when the offset has grown so much. */
const FURTHER = 1.25;
/** No more frames are asked when misfits differ by so many times that of a sample. */
const CLEARLY_TOLD = 100;

function isAlike(a: ZoneShape, b: ZoneShape): boolean {
  return a.layout === b.layout && a.handedness === b.handedness && a.ribD === b.ribD;
}

function slopeOf(shape: ZoneShape, outerRad: number): number {
  return Math.abs(offsetOfShifts(cachedCentroids(shape), (outerRad * 180) / Math.PI));
}

/** A grating spreads starlight by about 1.25 from blue to red; half of that, blurred, is asked for. */
const LEAST_DISPERSION = 1.08;
/** Share of the ring's light that three pairs must explain when there is no colour to go by. */
const LEAST_EXPLAINED_GREY = 0.8;
/** The same when spots are bright and colour is seen: other lights may stand in the ring. */
const LEAST_EXPLAINED = 0.4;

/** Why a first fit is not to be believed, or null: its spots must be spectra, and the pattern as it should. */
function doubtAbout(fit: Fit, rough: RoughPattern): ReasonCode | null {
  const { dispersion, dispersionSigma } = fit;
  if (Number.isNaN(dispersion)) {
    if (fit.explained < LEAST_EXPLAINED_GREY || fit.radialSpread < 0.05) return 'no-spots';
  } else if (dispersion < LEAST_DISPERSION || dispersion - 1 < 3 * dispersionSigma) return 'no-spots';
  return doubtAboutPattern(fit, rough);
}

/**
 * Amplitude of a pair, the mean being 1, below which next to nothing of its zone lets light through: what is left has
 * another shape than the zone, and where its light goes is not known. A mask that sits askew leaves twice as much.
 */
const LEAST_AMPLITUDE = 0.1;

/** Every spot must stand out and match its partner. */
function doubtAboutPattern(fit: Fit, rough: RoughPattern): ReasonCode | null {
  const { lines, spots } = fit;
  const outerDeg = (lines.outer * 180) / Math.PI;
  if (outerDeg < 5 || outerDeg > 45) return 'no-spots';
  if (Math.abs(fit.distancePx / rough.distancePx - 1) > 0.3) return 'no-spots';
  if (widthOf(lines) > 0.25 * fit.distancePx) return 'too-far';
  if (Math.min(...lines.amplitude) < LEAST_AMPLITUDE) return 'pair-missing';
  for (const spot of spots) {
    if (spot.ratio / spot.ratioSigma < 5) return 'pair-missing';
    if (Math.abs(spot.ratio - 1) > 0.35 + 4 * spot.ratioSigma + spot.saturated) return 'no-spots';
  }
  return fit.explained < LEAST_EXPLAINED && spots.some((spot) => spot.snr > 20) ? 'no-spots' : null;
}
