/**
 * Closed forms of the optics. Lengths carry their unit in the name; wavelengths are in µm.
 * Sources: Born & Wolf, Principles of Optics; Hecht, Optics; Goodman, Introduction to Fourier Optics.
 */

/** Wavelength that `spotDistancePx` and depth of focus refer to, µm. */
export const REFERENCE_WAVELENGTH_UM = 0.55;

/** Throws RangeError with one clear line unless `value` is a finite number above 0. */
export function requirePositive(name: string, value: number): number {
  if (!Number.isFinite(value) || value <= 0) throw new RangeError(`${name} must be a number above 0, not ${value}`);
  return value;
}

/** Radius of the Airy disc's first dark ring, 1.22 λ N, µm (Born & Wolf §8.5.2). */
export function airyRadiusUm(fNumber: number, wavelengthUm = REFERENCE_WAVELENGTH_UM): number {
  return 1.2196698912665045 * requirePositive('wavelength', wavelengthUm) * requirePositive('f-number', fNumber);
}

/** Half width of the quarter-wave depth of focus, 2 λ N², µm (Born & Wolf §8.8; Rayleigh's limit). */
export function depthOfFocusUm(fNumber: number, wavelengthUm = REFERENCE_WAVELENGTH_UM): number {
  return 2 * requirePositive('wavelength', wavelengthUm) * requirePositive('f-number', fNumber) ** 2;
}

/** Diameter of the geometric blur disc at defocus `dzUm`, |dz| / N, µm. */
export function blurDiameterUm(dzUm: number, fNumber: number): number {
  return Math.abs(dzUm) / requirePositive('f-number', fNumber);
}

/**
 * Distance on the sensor of a grating's order m from the star, m λ f / p, µm
 * (Hecht, grating equation at small angles).
 */
export function orderDistanceUm(
  focalMm: number,
  pitchUm: number,
  wavelengthUm = REFERENCE_WAVELENGTH_UM,
  order = 1,
): number {
  return (order * wavelengthUm * requirePositive('focal length', focalMm) * 1000) / requirePositive('pitch', pitchUm);
}
