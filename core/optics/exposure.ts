/**
 * How long to expose: until stars trail, and until the sky itself drowns the camera's noise.
 * Magnitudes are in the V band.
 */
import { requirePositive } from './formulas.ts';
import { srgbEncode } from './transfer.ts';

/** Rate of the Earth's rotation against the stars, rad/s: one turn in 86164.09 s (IERS Conventions, 7.292115e-5). */
export const SIDEREAL_RAD_PER_S = 7.292115e-5;
const DEGREE = Math.PI / 180;

/** Where a star stands, for its trail. */
export interface TrailPlace {
  declinationDeg: number;
  /** From the middle of the picture, 0 to below 90°. */
  offAxisDeg: number;
}

/**
 * Distance on the sensor between a star's places at the beginning and end of an exposure, µm. The star goes through
 * an arc σ on the sphere, sin(σ/2) = cos δ sin(ωt/2); a lens that keeps straight lines straight maps it to f tan of
 * the angle from the axis. Off the axis the arc is taken to lie along the radius, where the trail is longest: across it
 * the trail is shorter by up to cos of the angle. Refraction is left out (below 1 % of the rate from 10° altitude on).
 */
export function trailUm(focalMm: number, { declinationDeg, offAxisDeg }: TrailPlace, exposureS: number): number {
  const turned = SIDEREAL_RAD_PER_S * requirePositive('exposure', exposureS);
  const half = Math.asin(Math.cos(requireDeclination(declinationDeg)) * Math.sin(Math.min(turned, Math.PI) / 2));
  const axis = requireOffAxis(offAxisDeg);
  if (axis + half >= Math.PI / 2) return Number.POSITIVE_INFINITY;
  return requirePositive('focal length', focalMm) * 1000 * (Math.tan(axis + half) - Math.tan(axis - half));
}

/** Longest exposure whose trail stays within `allowedUm`, s: trailUm turned round. Infinity close to the pole. */
export function longestExposureS(
  focalMm: number,
  { declinationDeg, offAxisDeg }: TrailPlace,
  allowedUm: number,
): number {
  // tan(a + h) − tan(a − h) = 2 sin 2h / (cos 2a + cos 2h) = T, solved for 2h.
  const T = requirePositive('trail', allowedUm) / (requirePositive('focal length', focalMm) * 1000);
  const twice = Math.asin((T * Math.cos(2 * requireOffAxis(offAxisDeg))) / Math.hypot(2, T)) + Math.atan2(T, 2);
  const sine = Math.sin(twice / 2) / Math.cos(requireDeclination(declinationDeg));
  return sine < 1 ? (2 * Math.asin(sine)) / SIDEREAL_RAD_PER_S : Number.POSITIVE_INFINITY;
}

function requireDeclination(declinationDeg: number): number {
  if (!(Math.abs(declinationDeg) <= 90)) throw new RangeError(`declination must be −90 to 90°, not ${declinationDeg}`);
  return declinationDeg * DEGREE;
}

function requireOffAxis(offAxisDeg: number): number {
  if (!(offAxisDeg >= 0 && offAxisDeg < 90)) throw new RangeError(`off-axis angle must be 0 to 90°, not ${offAxisDeg}`);
  return offAxisDeg * DEGREE;
}

/**
 * Photons of a star of magnitude 0 per second, m² and nm at 0.55 µm: 3640 Jy (Bessell 1979), a jansky being
 * 1.51e7 photons per second, m² and unit of Δλ/λ.
 */
export const ZERO_MAG_PHOTONS = (3640 * 1.51e7) / 550;

/** A green pixel: equivalent width of its passband times quantum efficiency, nm (common practice, no source). */
export const GREEN_BAND_NM = 90 * 0.5;
/** Share of the light that a lens lets through (common practice, no source). */
export const USUAL_TRANSMISSION = 0.8;

const ARCSEC = DEGREE / 3600;

/**
 * Electrons per second that the sky gives a pixel. The focal length drops out: what a longer lens collects more, it
 * spreads over more pixels.
 * @param skyMag sky brightness, V magnitudes per square arc second
 * @param pixelUm side of a sensor pixel
 * @param transmission of the lens, vignetting and filters included, above 0 and at most 1
 * @throws RangeError
 */
export function skyElectronsPerS(skyMag: number, fNumber: number, pixelUm: number, transmission = USUAL_TRANSMISSION) {
  if (!(transmission > 0 && transmission <= 1))
    throw new RangeError(`transmission must be above 0 and at most 1, not ${transmission}`);
  // Area of the opening times the pixel's patch of sky, m² arcsec²: π/4 (f/N)² · (p/f)².
  const side = (requirePositive('pixel size', pixelUm) * 1e-6) / requirePositive('f-number', fNumber) / ARCSEC;
  const acceptance = (Math.PI / 4) * side ** 2;
  const photons = ZERO_MAG_PHOTONS * 10 ** (-0.4 * requireSky(skyMag));
  return photons * GREEN_BAND_NM * transmission * acceptance;
}

/**
 * Exposure from which on the sky limits: total noise is only `excess` above the sky's own photon noise.
 * From √(E + R²) = (1 + excess) √E; for 5 %, E = 9.8 R².
 */
export function skyLimitedS(readNoiseE: number, electronsPerS: number, excess = 0.05): number {
  return requirePositive('read noise', readNoiseE) ** 2 / ((1 + excess) ** 2 - 1) / electronsPerS;
}

/**
 * Luminance of the sky, cd/m²: a star of magnitude 0 gives 2.54e-6 lx (Allen's Astrophysical Quantities). Real night
 * skies are 10–30 % brighter to the eye, by their colour (Bará et al. 2020, MNRAS 493, 2429).
 */
export function skyLuminance(skyMag: number): number {
  return (2.54e-6 / ARCSEC ** 2) * 10 ** (-0.4 * requireSky(skyMag));
}

/** Calibration constant of reflected-light meters (ISO 2720 allows 10.6 to 13.4; 12.5 is usual). */
const METER_K = 12.5;

/** Exposure value at ISO 100 of a luminance, log2(L S / K). */
export function meteredEv(luminance: number): number {
  return Math.log2((luminance * 100) / METER_K);
}

/** Exposure value at ISO 100 that the camera is set to, log2(N² / t) − log2(S / 100) (APEX, ASA PH2.5-1960). */
export function settingsEv(fNumber: number, exposureS: number, iso: number): number {
  const n2t = requirePositive('f-number', fNumber) ** 2 / requirePositive('exposure', exposureS);
  return Math.log2(n2t / (requirePositive('ISO', iso) / 100));
}

/**
 * Where the sky stands in the picture, as a share of white, 0 to 1, after the curve of IEC 61966-2-1.
 * Light on the sensor 0.65 L t / N² lx s against 78 / S lx s, where it saturates (ISO 12232).
 */
export function skyLevel(skyMag: number, fNumber: number, exposureS: number, iso: number): number {
  const luxS = (0.65 * skyLuminance(skyMag) * exposureS) / fNumber ** 2;
  return srgbEncode(Math.min(1, (luxS * requirePositive('ISO', iso)) / 78));
}

function requireSky(skyMag: number): number {
  if (!(skyMag >= 0 && skyMag <= 30)) throw new RangeError(`sky brightness must be 0 to 30 mag/arcsec², not ${skyMag}`);
  return skyMag;
}
