/**
 * What is sharp beside the star: depth of field of a thin lens.
 * Sources: Ray, Applied Photographic Optics (depth of field, hyperfocal distance); Born & Wolf §8.8 (depth of focus).
 * Approximate: a thin lens without aberrations, distances from its entrance pupil, the middle of the picture.
 */
import { depthOfFocusUm, requirePositive } from './formulas.ts';

/** How far the sensor may stand from focus, and what sets that limit. */
export interface SharpBand {
  /** Half width, µm on the sensor. */
  halfUm: number;
  /** 'diffraction': the disc let pass is smaller than diffraction's own blur, so asking for less gains nothing. */
  limit: 'blur' | 'diffraction';
}

/**
 * Defocus either side of focus whose blur disc is no larger than `blurUm`, but never less than the quarter-wave depth
 * of focus: N · max(c, 2 λ N). Near the change from one to the other both blurs add up, so that the disc seen is up to
 * some 1.4 times the one let pass.
 */
export function sharpBand(fNumber: number, blurUm: number): SharpBand {
  const blurHalfUm = requirePositive('f-number', fNumber) * requirePositive('blur', blurUm);
  const diffractionHalfUm = depthOfFocusUm(fNumber);
  return blurHalfUm > diffractionHalfUm
    ? { halfUm: blurHalfUm, limit: 'blur' }
    : { halfUm: diffractionHalfUm, limit: 'diffraction' };
}

/** Nearest distance to focus on at which the stars are still inside the band, f² / (N c) + f, m. */
export function hyperfocalM(focalMm: number, { halfUm }: SharpBand): number {
  return reachM(focalMm, halfUm) + focalMm / 1000;
}

/**
 * Nearest and farthest distance inside the band, m, with the lens focused at `focusM` (Infinity: on a star):
 * s g / (g ± (s − f)), g = f² / (N c). `farM` is Infinity from the hyperfocal distance on.
 * @throws RangeError when `focusM` is not beyond the focal length
 */
export function depthOfField(focalMm: number, { halfUm }: SharpBand, focusM: number): { nearM: number; farM: number } {
  const g = reachM(focalMm, halfUm);
  if (focusM === Number.POSITIVE_INFINITY) return { nearM: g, farM: focusM };
  const extensionM = focusM - focalMm / 1000;
  if (!(extensionM > 0)) throw new RangeError(`distance must be more than the focal length, not ${focusM} m`);
  // At the hyperfocal distance itself rounding must not put a bound to infinity.
  const beyond = g - extensionM > 1e-9 * g;
  return { nearM: (focusM * g) / (g + extensionM), farM: beyond ? (focusM * g) / (g - extensionM) : Infinity };
}

/** Distance that is in focus while the sensor stands `defocusUm` behind the focus of a star, f² / dz + f, m; Infinity for 0. */
export function focusedAtM(focalMm: number, defocusUm: number): number {
  if (!(defocusUm >= 0)) throw new RangeError(`nothing is in focus beyond infinity: ${defocusUm} µm`);
  return reachM(focalMm, defocusUm) + focalMm / 1000;
}

/** f² / dz, m. */
function reachM(focalMm: number, defocusUm: number): number {
  return requirePositive('focal length', focalMm) ** 2 / defocusUm;
}
