/** What a fit says, in the terms of a `Measurement`. */
import { pixelFromPattern } from '../learn/mask.ts';
import type { Measurement, Optics, Spot } from '../measurement.ts';
import { DEFAULT_MASK, offsetSlope } from '../optics/mask.ts';
import type { Candidate } from './candidates.ts';
import type { Found } from './find.ts';
import { widthOf, ZONES } from './lines.ts';
import { wrap180 } from './rough.ts';

/** Ratio of the green centroid's wavelength to the reference of 550 nm, for a star of about 6500 K. */
const GREEN_CENTROID = 0.969;

/** Sum of the three channels from which the star's core counts as saturated. */
const SATURATED_PEAK = 2.8;

/** @param star the zeroth order as seen at full resolution, null when it could not be told apart */
export function describe({ fit, rough, order, mosaic }: Found, star: Candidate | null, optics: Optics): Measurement {
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
  const spotDistancePx = fit.distancePx / order / GREEN_CENTROID;
  const spotDistanceSigmaPx = fit.distanceSigmaPx / order / GREEN_CENTROID;
  const { pixelUm, pixelSigmaUm } = pixelSize(optics, { spotDistancePx, spotDistanceSigmaPx });
  const spots: Spot[] = fit.spots.map(({ zone, side, snr, saturated }) => {
    const angle = lines.angle + [0, 1, -1][zone] * lines.outer;
    const along = lines.along[zone] + side * fit.distancePx;
    const across = lines.across[zone];
    return {
      pair: ZONES[zone],
      side: (side * sign) as 1 | -1,
      xPx: rough.xPx + along * Math.cos(angle) - across * Math.sin(angle),
      yPx: rough.yPx + along * Math.sin(angle) + across * Math.cos(angle),
      // In one of the sensor's pixels, however large it is shown.
      snr: snr * (mosaic?.stepPx ?? 1),
      saturated: saturated > 0.1,
    };
  });
  const spacing = fit.distancePx * Math.sin(lines.outer);
  return {
    status: 'measured',
    star: { xPx: star?.xPx ?? rough.xPx, yPx: star?.yPx ?? rough.yPx, saturated: (star?.peak ?? 0) > SATURATED_PEAK },
    offsetPx,
    offsetSigmaPx: fit.offsetSigmaPx,
    middleAngleDeg,
    outerAngleDeg,
    outerAngleSigmaDeg: fit.outerSigma * degrees,
    spotDistancePx,
    spotDistanceSigmaPx,
    ...defocus(offsetPx, fit.offsetSigmaPx, outerAngleDeg, pixelUm, pixelSigmaUm, optics),
    pixelUm,
    pixelSigmaUm,
    snr: spots.map((spot) => spot.snr).sort((a, b) => a - b)[3],
    spots,
    merged: Math.abs(spacing - Math.abs(fit.offsetPx)) < 2.2 * widthOf(lines),
  };
}

/** µm on the sensor per frame pixel: as given, or from the spots' own distance when pitch and focal length are known. */
function pixelSize(
  optics: Optics,
  distance: Pick<Measurement, 'spotDistancePx' | 'spotDistanceSigmaPx'>,
): { pixelUm: number | null; pixelSigmaUm: number | null } {
  if (optics.pixelUm !== null) return { pixelUm: optics.pixelUm, pixelSigmaUm: 0 };
  return pixelFromPattern(distance, optics) ?? { pixelUm: null, pixelSigmaUm: null };
}

function defocus(
  offsetPx: number,
  offsetSigmaPx: number,
  outerAngleDeg: number,
  pixelUm: number | null,
  pixelSigmaUm: number | null,
  { fNumber, mask }: Optics,
): Pick<Measurement, 'defocusUm' | 'defocusSigmaUm' | 'k'> {
  const { k, kSigma } = offsetSlope(mask ?? DEFAULT_MASK, outerAngleDeg);
  if (pixelUm === null || fNumber === null) return { defocusUm: null, defocusSigmaUm: null, k: mask ? k : null };
  const umPerPx = (pixelUm * fNumber) / k;
  const defocusUm = offsetPx * umPerPx;
  const relativeSigma = Math.hypot(kSigma / k, (pixelSigmaUm ?? 0) / pixelUm);
  return { defocusUm, defocusSigmaUm: Math.hypot(offsetSigmaPx * umPerPx, defocusUm * relativeSigma), k };
}
