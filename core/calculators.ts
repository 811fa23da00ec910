/**
 * The figures an evening needs, from what is known of lens, camera and sky: closed forms of core/optics put together,
 * each with its name, unit and value. The words are in strings.ts.
 */
import type { Calibration } from './guide/calibrate.ts';
import type { Optics } from './measurement.ts';
import { depthOfField, focusedAtM, hyperfocalM, sharpBand } from './optics/depth.ts';
import {
  longestExposureS,
  meteredEv,
  settingsEv,
  skyElectronsPerS,
  skyLevel,
  skyLimitedS,
  skyLuminance,
  type TrailPlace,
  trailUm,
  USUAL_TRANSMISSION,
} from './optics/exposure.ts';
import { airyRadiusUm, blurDiameterUm, depthOfFocusUm, orderDistanceUm, requirePositive } from './optics/formulas.ts';
import { offsetSlope } from './optics/mask.ts';

/** Lens and sensor of the photograph (not of live view). */
export interface Camera {
  focalMm: number;
  fNumber: number;
  /** Side of a sensor pixel, µm. */
  pixelUm: number;
}

/** What "infinity" means for this lens. Distances in m, Infinity where there is no bound. */
export interface FocusFigures {
  /** Quarter-wave depth of focus, ±. */
  depthOfFocusUm: number;
  /** Diameter of the Airy disc, sensor pixels. */
  airyPx: number;
  /** Blur let pass, ±µm on the sensor, and whether diffraction sets it. */
  sharpBandUm: number;
  limit: 'blur' | 'diffraction';
  /** Nearest sharp thing when focused on the stars. */
  nearestM: number;
  hyperfocalM: number;
  /** Nearest sharp thing when focused at the hyperfocal distance: the stars are then just let pass. */
  nearestHyperfocalM: number;
  /** Sharp from, sharp to, focused at the distance asked for. */
  nearM: number | null;
  farM: number | null;
}

/**
 * @param blurPx blur disc let pass, sensor pixels
 * @param focusM distance focused on, null when not asked for
 */
export function focusFigures(camera: Camera, blurPx: number, focusM: number | null = null): FocusFigures {
  const { focalMm, fNumber, pixelUm } = camera;
  const band = sharpBand(fNumber, requirePositive('blur', blurPx) * requirePositive('pixel size', pixelUm));
  const asked = focusM === null ? null : depthOfField(focalMm, band, focusM);
  const nearestDistanceM = hyperfocalM(focalMm, band);
  return {
    depthOfFocusUm: depthOfFocusUm(fNumber),
    airyPx: (2 * airyRadiusUm(fNumber)) / pixelUm,
    sharpBandUm: band.halfUm,
    limit: band.limit,
    nearestM: depthOfField(focalMm, band, Number.POSITIVE_INFINITY).nearM,
    hyperfocalM: nearestDistanceM,
    nearestHyperfocalM: depthOfField(focalMm, band, nearestDistanceM).nearM,
    nearM: asked?.nearM ?? null,
    farM: asked?.farM ?? null,
  };
}

export interface TrailFigures {
  /** Infinity close to the pole. */
  longestExposureS: number;
  /** Trail in one second, sensor pixels. */
  pxPerS: number;
}

/** @param trailPx trail let pass, sensor pixels */
export function trailFigures(
  { focalMm, pixelUm }: Omit<Camera, 'fNumber'>,
  place: TrailPlace,
  trailPx: number,
): TrailFigures {
  const allowedUm = requirePositive('trail', trailPx) * requirePositive('pixel size', pixelUm);
  return {
    longestExposureS: longestExposureS(focalMm, place, allowedUm),
    pxPerS: trailUm(focalMm, place, 1) / pixelUm,
  };
}

/** Sky of dark country without Moon, V magnitudes per square arc second (common practice, no source). */
export const COUNTRY_SKY_MAG = 21;

export interface Sky {
  /** V magnitudes per square arc second. */
  skyMag: number;
  exposureS: number;
  iso: number;
  /** Electrons per pixel at that ISO. */
  readNoiseE: number;
  transmission?: number;
}

export interface SkyFigures {
  /** Sky in one pixel, electrons. */
  skyE: number;
  /** The sky's photon noise over the read noise. */
  noiseRatio: number;
  /** Exposure from which on the sky limits: the noise is within 5 % of the sky's own. */
  skyLimitedS: number;
  /** Of the sky, and as the camera is set, at ISO 100. */
  skyEv: number;
  settingsEv: number;
  /** How far the sky comes out below middle grey (negative: above). */
  stopsBelowGrey: number;
  /** Where the sky stands in the picture, percent of white. */
  levelPercent: number;
}

export function skyFigures({ fNumber, pixelUm }: Omit<Camera, 'focalMm'>, sky: Sky): SkyFigures {
  const { skyMag, exposureS, iso, readNoiseE, transmission = USUAL_TRANSMISSION } = sky;
  const electronsPerS = skyElectronsPerS(skyMag, fNumber, pixelUm, transmission);
  const skyEv = meteredEv(skyLuminance(skyMag));
  const setEv = settingsEv(fNumber, exposureS, iso);
  const skyE = electronsPerS * exposureS;
  return {
    skyE,
    noiseRatio: Math.sqrt(skyE) / requirePositive('read noise', readNoiseE),
    skyLimitedS: skyLimitedS(readNoiseE, electronsPerS),
    skyEv,
    settingsEv: setEv,
    stopsBelowGrey: setEv - skyEv,
    levelPercent: 100 * skyLevel(skyMag, fNumber, exposureS, iso),
  };
}

export interface OffsetFigures {
  /** Blur disc, sensor pixels. */
  blurPx: number;
  depthsOfFocus: number;
  /** What is in focus instead of the star, m: Infinity for no defocus, null where the lens is focused past infinity. */
  focusedAtM: number | null;
  /** How far to turn the ring, and its σ; null when the calibration does not say. */
  marks: number | null;
  marksSigma: number | null;
}

/**
 * What a defocus means.
 * @param defocusUm positive: focused in front of the star
 * @param marks how far that is on the ring, see marksOfDefocus
 */
export function offsetFigures(camera: Camera, defocusUm: number, marks: MarksOfDefocus | null = null): OffsetFigures {
  const { focalMm, fNumber, pixelUm } = camera;
  return {
    blurPx: blurDiameterUm(defocusUm, fNumber) / requirePositive('pixel size', pixelUm),
    depthsOfFocus: Math.abs(defocusUm) / depthOfFocusUm(fNumber),
    focusedAtM: defocusUm < 0 ? null : focusedAtM(focalMm, defocusUm),
    marks: marks?.marks ?? null,
    marksSigma: marks?.sigma ?? null,
  };
}

export interface MarksOfDefocus {
  marks: number;
  sigma: number;
}

/** Angle between outer and middle gratings where the mask does not tell it. */
const TYPICAL_ANGLE_DEG = 20;

/**
 * Ring marks to turn for a defocus, without its sign: the calibration gives the offset per mark in spot distances
 * λf/p, and the offset is k dz / N. Null where the calibration is of another focal length, marks were not read, or
 * f-number or grating pitch are not known.
 */
export function marksOfDefocus(
  defocusUm: number,
  { focalMm, fNumber, mask }: Optics,
  calibration: Calibration | null,
): MarksOfDefocus | null {
  if (!calibration?.perMark || calibration.focalMm !== focalMm) return null;
  if (focalMm === null || fNumber === null || !mask?.pitchUm) return null;
  const { k, kSigma } = offsetSlope(
    { ...mask, handedness: calibration.handedness ?? mask.handedness },
    mask.outerAngleDeg ?? TYPICAL_ANGLE_DEG,
  );
  const { spotDistances, sigma } = calibration.perMark;
  const offset = (Math.abs(k) * Math.abs(defocusUm)) / fNumber / orderDistanceUm(focalMm, mask.pitchUm);
  const marks = offset / spotDistances;
  return { marks, sigma: marks * Math.hypot(sigma / spotDistances, kSigma / k) };
}
