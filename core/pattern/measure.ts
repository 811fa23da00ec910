/** One frame in, one reading out: the measured pattern, or the reason why there is none. */
import type { PixelImage } from '../frame.ts';
import type { Measurement, NoPattern, Optics, Reading, ReasonCode, Spot } from '../measurement.ts';
import { orderDistanceUm, REFERENCE_WAVELENGTH_UM } from '../optics/formulas.ts';
import { DEFAULT_MASK, type Mask, offsetSlope } from '../optics/mask.ts';
import type { Candidate } from './candidates.ts';
import { findCandidates } from './candidates.ts';
import type { Cv } from './cv.ts';
import type { Fit } from './fit.ts';
import { fitLines, QUICK, THOROUGH, widthOf, ZONES } from './fit.ts';
import type { ZoneShape } from './profiles.ts';
import type { Level } from './pyramid.ts';
import { Pyramid } from './pyramid.ts';
import { reasonWithout } from './reasons.ts';
import type { RoughPattern } from './rough.ts';
import { findRough, wrap180 } from './rough.ts';
import { coarseSampling, collectSamples } from './samples.ts';

/** Star candidates looked at in a frame. */
const CANDIDATES = 6;
/** A rough pattern this good is taken without looking at further candidates. */
const CLEAR_SCORE = 30;
/** Rough patterns fitted, and the share of light explained that ends the search. */
const FITS = 4;
const CLEARLY_EXPLAINED = 0.97;
/** Ratio of the green centroid's wavelength to the reference of 550 nm, for a star of about 6500 K. */
const GREEN_CENTROID = 0.969;

const pyramids = new WeakMap<Cv, Pyramid>();

/**
 * Measures the pattern in one frame.
 * @param cv OpenCV module from `loadCv()`
 * @param image decoded pixels, any size from about 64 × 64 px
 * @param optics what is known of lens, camera and mask; nulls leave `defocusUm` null
 * @returns a `Measurement` (see there for units and signs) or `NoPattern` with its reason
 * @throws RangeError when the mask's k is 0
 */
export function measure(cv: Cv, image: PixelImage, optics: Optics): Reading {
  const levels = pyramidFor(cv).build(image);
  const candidates = findCandidates(levels, CANDIDATES);
  const found = findPattern(image, levels, candidates, optics);
  if ('reason' in found) return found;
  return describe(found.fit, found.rough, candidates, optics);
}

function pyramidFor(cv: Cv): Pyramid {
  let pyramid = pyramids.get(cv);
  if (!pyramid) {
    pyramid = new Pyramid(cv);
    pyramids.set(cv, pyramid);
  }
  return pyramid;
}

interface Found {
  rough: RoughPattern;
  fit: Fit;
}

function findPattern(image: PixelImage, levels: Level[], candidates: Candidate[], optics: Optics): Found | NoPattern {
  const maxRadiusPx = Math.min(420, 0.48 * Math.hypot(image.widthPx, image.heightPx));
  let failure: ReasonCode | null = null;
  let best: Found | null = null;
  const roughs: RoughPattern[] = [];
  for (const candidate of candidates) {
    const found = findRough(levels, candidate, maxRadiusPx);
    roughs.push(...found);
    if (found.length > 0 && found[0].score > CLEAR_SCORE) break;
  }
  roughs.sort((a, b) => b.score - a.score);
  for (const rough of roughs.slice(0, FITS)) {
    const samples = collectSamples(image, rough, coarseSampling(rough.distancePx));
    const fit =
      samples && fitLines(samples, rough, { shape: shapesOf(optics.mask)[0], airyPx: airySize(optics) }, QUICK);
    if (!fit) continue;
    const doubt = doubtAbout(fit, rough);
    if (doubt) failure ??= doubt;
    else if (!best || fit.explained > best.fit.explained) best = { rough, fit };
    if (best && best.fit.explained > CLEARLY_EXPLAINED) break;
  }
  if (best) return refine(image, best, optics);
  const star = candidates[0] ? { xPx: candidates[0].xPx, yPx: candidates[0].yPx } : null;
  return { status: 'no-pattern', reason: reasonWithout(image, levels, candidates, failure), star };
}

/** Zone shapes in the order they are tried; for strips along u both ways round look the same. */
const SHAPES: ZoneShape[] = [
  { layout: 'half', handedness: 1 },
  { layout: 'half', handedness: -1 },
  { layout: 'strips-u', handedness: 1 },
  { layout: 'strips-n', handedness: 1 },
  { layout: 'strips-n', handedness: -1 },
];

/** The shapes a mask may have, the likeliest first. */
function shapesOf(mask: Mask | null): ZoneShape[] {
  if (mask === null) return SHAPES;
  return SHAPES.filter(
    ({ layout, handedness }) =>
      layout === mask.layout && (mask.handedness === null || layout === 'strips-u' || handedness === mask.handedness),
  );
}

/** λN at 550 nm in frame pixels, when the optics are known. */
function airySize({ fNumber, pixelUm }: Optics): number | null {
  return fNumber !== null && pixelUm !== null ? (REFERENCE_WAVELENGTH_UM * fNumber) / pixelUm : null;
}

/**
 * Fits once more with samples as fine as the spots ask for. Near focus all masks' spots look alike;
 * far from it the zones' shape that explains the picture best is taken.
 */
function refine(image: PixelImage, found: Found, optics: Optics): Found {
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
  const sampling = { blockPx: Math.max(1, Math.floor(0.8 * width)), halfWidthPx: 4 * width + 1 };
  const samples = collectSamples(image, rough, sampling);
  if (!samples) return found;
  let best: Fit | null = null;
  for (const shape of shapesOf(optics.mask)) {
    const fit = fitLines(samples, rough, { shape, airyPx: airySize(optics) }, THOROUGH, lines);
    if (fit && (!best || fit.misfit < best.misfit)) best = fit;
    // Below Q = 1 even the layout with the smallest k leaves no shape to tell masks apart.
    if (fit && Math.abs(fit.offsetPx) < LEAST_SLOPE * fit.lines.airyPx) break;
  }
  return best ? { rough, fit: best } : found;
}

/** Smallest k of the layouts at usual angles (strips side by side along u). */
const LEAST_SLOPE = 0.1;

/** A grating spreads starlight by about 1.25 from blue to red; half of that, blurred, is asked for. */
const LEAST_DISPERSION = 1.08;
/** Share of the ring's light that three pairs must explain when there is no colour to go by. */
const LEAST_EXPLAINED_GREY = 0.8;
/** The same when spots are bright and colour is seen: other lights may stand in the ring. */
const LEAST_EXPLAINED = 0.4;

/** Why a fit is not to be believed, or null. Every spot must stand out, be a spectrum, and match its partner. */
function doubtAbout(fit: Fit, rough: RoughPattern): ReasonCode | null {
  const { lines, spots, dispersion, dispersionSigma } = fit;
  const outerDeg = (lines.outer * 180) / Math.PI;
  if (outerDeg < 5 || outerDeg > 45) return 'no-spots';
  if (Math.abs(fit.distancePx / rough.distancePx - 1) > 0.3) return 'no-spots';
  if (Number.isNaN(dispersion)) {
    if (fit.explained < LEAST_EXPLAINED_GREY || fit.radialSpread < 0.05) return 'no-spots';
  } else if (dispersion < LEAST_DISPERSION || dispersion - 1 < 3 * dispersionSigma) return 'no-spots';
  if (widthOf(lines) > 0.25 * fit.distancePx) return 'too-far';
  for (const spot of spots) {
    if (spot.ratio / spot.ratioSigma < 5) return 'pair-missing';
    if (Math.abs(spot.ratio - 1) > 0.35 + 4 * spot.ratioSigma + spot.saturated) return 'no-spots';
  }
  return fit.explained < LEAST_EXPLAINED && spots.some((spot) => spot.snr > 20) ? 'no-spots' : null;
}

function describe(fit: Fit, rough: RoughPattern, candidates: Candidate[], optics: Optics): Measurement {
  const { lines } = fit;
  const degrees = 180 / Math.PI;
  // Bring the middle line's direction into (−90, 90]; turning it round turns n and with it the offset's sign.
  let middleAngleDeg = wrap180(lines.angle * degrees);
  let sign: 1 | -1 = 1;
  if (middleAngleDeg > 90 || middleAngleDeg <= -90) {
    middleAngleDeg = wrap180(middleAngleDeg + 180);
    sign = -1;
  }
  const offsetPx = sign * fit.offsetPx;
  const outerAngleDeg = lines.outer * degrees;
  const spotDistancePx = fit.distancePx / GREEN_CENTROID;
  const pixelUm = pixelSize(optics, spotDistancePx);
  const star = candidates.find((candidate) => candidate.xPx === rough.xPx && candidate.yPx === rough.yPx);
  const spots: Spot[] = fit.spots.map(({ zone, side, snr, saturated }) => {
    const angle = lines.angle + [0, 1, -1][zone] * lines.outer;
    const along = lines.along[zone] + side * fit.distancePx;
    const across = lines.across[zone];
    return {
      pair: ZONES[zone],
      side: (side * sign) as 1 | -1,
      xPx: rough.xPx + along * Math.cos(angle) - across * Math.sin(angle),
      yPx: rough.yPx + along * Math.sin(angle) + across * Math.cos(angle),
      snr,
      saturated: saturated > 0.1,
    };
  });
  const spacing = fit.distancePx * Math.sin(lines.outer);
  return {
    status: 'measured',
    star: { xPx: rough.xPx, yPx: rough.yPx, saturated: (star?.peak ?? 0) > 2.8 },
    offsetPx,
    offsetSigmaPx: fit.offsetSigmaPx,
    middleAngleDeg,
    outerAngleDeg,
    spotDistancePx,
    ...defocus(offsetPx, fit.offsetSigmaPx, outerAngleDeg, pixelUm, optics),
    pixelUm,
    snr: spots.map((spot) => spot.snr).sort((a, b) => a - b)[3],
    spots,
    merged: Math.abs(spacing - Math.abs(fit.offsetPx)) < 2.2 * widthOf(lines),
  };
}

/** µm on the sensor per frame pixel: as given, or from the spots' own distance when pitch and focal length are known. */
function pixelSize({ pixelUm, focalMm, mask }: Optics, spotDistancePx: number): number | null {
  if (pixelUm !== null) return pixelUm;
  if (focalMm === null || !mask?.pitchUm) return null;
  return orderDistanceUm(focalMm, mask.pitchUm) / spotDistancePx;
}

function defocus(
  offsetPx: number,
  offsetSigmaPx: number,
  outerAngleDeg: number,
  pixelUm: number | null,
  { fNumber, mask }: Optics,
): Pick<Measurement, 'defocusUm' | 'defocusSigmaUm' | 'k'> {
  const { k, kSigma } = offsetSlope(mask ?? DEFAULT_MASK, outerAngleDeg);
  if (pixelUm === null || fNumber === null) return { defocusUm: null, defocusSigmaUm: null, k: mask ? k : null };
  const umPerPx = (pixelUm * fNumber) / k;
  const defocusUm = offsetPx * umPerPx;
  return { defocusUm, defocusSigmaUm: Math.hypot(offsetSigmaPx * umPerPx, (defocusUm * kSigma) / k), k };
}
