/**
 * What one photograph taught of the mask: pitch and outer angle. From then on the pattern itself gives the
 * scale of every other picture, however live view is reduced or magnified.
 */
import type { Measurement, Optics } from '../measurement.ts';
import { orderDistanceUm } from '../optics/formulas.ts';
import type { LearnedMask, Mask } from '../optics/mask.ts';

/** Relative σ of a focal length as engraved or stored in the picture (common practice, no source). */
export const FOCAL_SIGMA = 0.02;
/**
 * Relative σ of the wavelength that the green light's middle stands for: stars of 2500 to 20000 K move it by
 * −1.2 to +3 % of that of the 6500 K assumed, those from 3500 to 12000 K by −0.8 to +1.7 %.
 */
export const COLOUR_SIGMA = 0.01;

export type LearnRefusal = 'no-focal-length' | 'no-pixel-size';

/**
 * Pitch and outer angle from one measured still.
 * @param optics as for the measurement, with the pixel size from camera or file: one that was derived from a pitch would teach nothing
 * @param timeUtc when the picture was taken
 * @returns the mask's new figures, or what is missing
 */
export function learnMask(
  reading: Measurement,
  { focalMm, pixelUm }: Optics,
  timeUtc: string,
): Required<Pick<Mask, 'pitchUm' | 'outerAngleDeg' | 'learned'>> | LearnRefusal {
  if (focalMm === null) return 'no-focal-length';
  if (pixelUm === null) return 'no-pixel-size';
  const { spotDistancePx, spotDistanceSigmaPx, outerAngleDeg, outerAngleSigmaDeg } = reading;
  // λ f / p is the spots' distance for a pitch p, and the pitch for a distance.
  const pitchUm = orderDistanceUm(focalMm, spotDistancePx * pixelUm);
  const scaleSigma = Math.hypot(spotDistanceSigmaPx / spotDistancePx, COLOUR_SIGMA);
  const learned: LearnedMask = {
    timeUtc,
    focalMm,
    pitchSigmaUm: pitchUm * Math.hypot(scaleSigma, FOCAL_SIGMA),
    outerAngleSigmaDeg,
    scaleSigma,
  };
  return { pitchUm, outerAngleDeg, learned };
}

/**
 * Size on the sensor of one pixel of the picture that `reading` is of, and its σ, µm: from the spots' distance.
 * With a learned mask and the focal length of then, whatever the lens's true one is cancels.
 * @returns null when pitch or focal length are not known
 */
export function pixelFromPattern(
  { spotDistancePx, spotDistanceSigmaPx }: Pick<Measurement, 'spotDistancePx' | 'spotDistanceSigmaPx'>,
  { focalMm, mask }: Pick<Optics, 'focalMm' | 'mask'>,
): { pixelUm: number; pixelSigmaUm: number } | null {
  if (focalMm === null || !mask?.pitchUm) return null;
  const pixelUm = orderDistanceUm(focalMm, mask.pitchUm) / spotDistancePx;
  const learned = mask.learned ?? null;
  const pitchSigma =
    learned === null
      ? FOCAL_SIGMA
      : learned.focalMm === focalMm
        ? learned.scaleSigma
        : Math.hypot(learned.scaleSigma, Math.SQRT2 * FOCAL_SIGMA);
  return {
    pixelUm,
    pixelSigmaUm: pixelUm * Math.hypot(spotDistanceSigmaPx / spotDistancePx, COLOUR_SIGMA, pitchSigma),
  };
}
