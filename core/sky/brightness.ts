/**
 * How well a star's spots will stand out in live view: light through air, lens and mask against the noise of
 * photons, sky and read-out, the model by which the simulator exposes its frames.
 */
import type { Optics } from '../measurement.ts';
import { orderAmplitude } from '../optics/diffraction.ts';
import { airyRadiusUm, REFERENCE_WAVELENGTH_UM } from '../optics/formulas.ts';
import { cachedCentroids, DEFAULT_MASK, type Mask } from '../optics/mask.ts';
import { BAND_UM, starSpectrum } from '../optics/spectrum.ts';
import { airmass, type SkyBody, separationDeg } from './positions.ts';

/** Lens, mask and live view as far as brightness depends on them. */
export interface LiveView {
  focalMm: number;
  fNumber: number;
  mask: Mask;
  /** Size on the sensor of one live-view pixel, µm. */
  pixelUm: number;
  /** Of one live-view frame. */
  exposureS: number;
  readNoiseE: number;
}

/** Typical of live view by night (common practice, no source): a tenth of a second, pixels as on the sensor. */
export const TYPICAL = { exposureS: 0.1, pixelUm: 4, readNoiseE: 4, spotDistancePx: 60 };

/** Live view with what is known of the optics, and typical values for the rest; null while the lens is not known. */
export function liveViewOf(
  { focalMm, fNumber, pixelUm, mask }: Optics,
  exposureS: number | null = null,
): LiveView | null {
  if (focalMm === null || fNumber === null) return null;
  const pixel = pixelUm ?? TYPICAL.pixelUm;
  const pitchUm = mask?.pitchUm ?? (REFERENCE_WAVELENGTH_UM * focalMm * 1000) / (TYPICAL.spotDistancePx * pixel);
  return {
    focalMm,
    fNumber,
    mask: { ...(mask ?? DEFAULT_MASK), pitchUm },
    pixelUm: pixel,
    exposureS: exposureS ?? TYPICAL.exposureS,
    readNoiseE: TYPICAL.readNoiseE,
  };
}

/**
 * Electrons a second that a star of V = 0 gives per cm² of lens opening, mean of a colour sensor's pixels:
 * 1000 photons s⁻¹ cm⁻² Å⁻¹ (Bessell 1979; from memory) × 450 Å of quantum efficiency in each colour's band
 * × 0.8 for the glass (both common practice, no source).
 */
const ZERO_MAGNITUDE_E = 1000 * 450 * 0.8;

/** Extinction at the zenith in V, magnitudes: clear air at low heights (common practice, no source). */
const EXTINCTION = 0.25;

/** Darkest sky, V magnitudes per square arc second (Krisciunas & Schaefer 1991: 79.0 nL for Mauna Kea at 21.6). */
const DARK_SKY = 21.6;

/** Light within the first dark ring (Born & Wolf §8.5.2); the rest is spread far out. */
const AIRY_DISC_SHARE = 0.838;

const ARCSEC_PER_RAD = 206264.806;

/** Electrons per frame from `magnitude` through the open lens. */
function electrons(magnitude: number, { focalMm, fNumber, exposureS }: LiveView): number {
  const openingCm2 = (Math.PI / 4) * (focalMm / fNumber / 10) ** 2;
  return ZERO_MAGNITUDE_E * 10 ** (-0.4 * magnitude) * openingCm2 * exposureS;
}

/**
 * Brightest pixel of the faintest of the six spots, per electron of the star through the open lens.
 * A spot is as long as its spectrum (equal light over the width that its peak asks for) and as wide as its blur.
 * @param blurUm full width at half maximum of all blur but diffraction and pixel
 * @param discUm diameter of a planet's disc on the sensor
 */
export function spotPeak(live: LiveView, temperatureK: number, discUm = 0, blurUm = 0.8 * live.pixelUm): number {
  const { focalMm, fNumber, mask, pixelUm } = live;
  const zones = Object.values(cachedCentroids({ ...mask, handedness: mask.handedness ?? 1 }));
  const zoneShare = Math.min(...zones.map(({ areaD2 }) => areaD2)) / (Math.PI / 4);
  const spotShare = zoneShare * orderAmplitude(1, mask.duty) ** 2;

  const samples = starSpectrum(temperatureK, 60).map(({ rgb }) => (rgb[0] + 2 * rgb[1] + rgb[2]) / 4);
  const stepUm = ((BAND_UM.max - BAND_UM.min) / samples.length) * ((1000 * focalMm) / mask.pitchUm!);
  const lengthUm = (stepUm * samples.reduce((sum, light) => sum + light)) / Math.max(...samples);

  // A zone is about half as wide as the lens, so its disc is about twice the Airy disc; σ = 0.35 of the Airy radius.
  const diffractionUm = 2 * 0.35 * airyRadiusUm(fNumber);
  const sigmaUm = Math.hypot(diffractionUm, blurUm / 2.355, discUm / 4, pixelUm / Math.sqrt(12));
  const alongUm = Math.hypot(lengthUm, Math.sqrt(2 * Math.PI) * sigmaUm);
  return (AIRY_DISC_SHARE * spotShare * pixelUm ** 2) / (alongUm * Math.sqrt(2 * Math.PI) * sigmaUm);
}

/** Peak signal-to-noise of the faintest spots in one live-view frame; 0 below the horizon. */
export function spotSnr(body: SkyBody, live: LiveView, skyMagnitude: number): number {
  const air = airmass(body.altitudeDeg);
  if (air === null) return 0;
  const discUm = (body.diameterArcsec / ARCSEC_PER_RAD) * live.focalMm * 1000;
  const peakE = electrons(body.magnitude + EXTINCTION * air, live) * spotPeak(live, body.temperatureK, discUm);
  const pixelArcsec = (live.pixelUm / (live.focalMm * 1000)) * ARCSEC_PER_RAD;
  const skyE = electrons(skyMagnitude, live) * live.mask.duty * pixelArcsec ** 2;
  return peakE / Math.sqrt(peakE + skyE + live.readNoiseE ** 2);
}

/** Luminance of V magnitude per square arc second, nanolamberts (Krisciunas & Schaefer 1991, eq. 27). */
const nanolamberts = (magnitude: number) => 34.08 * Math.exp(20.7233 - 0.92104 * magnitude);

/**
 * Brightness of the sky behind a body by twilight, Moon and night sky, V magnitudes per square arc second.
 * Moonlight: Krisciunas & Schaefer 1991, PASP 103, 1033. Twilight: Patat, Ugolnikov & Postylyakov 2006,
 * A&A 455, 385, zenith in V, from memory; brighter than its range the line's slope is kept.
 */
export function skyMagnitude(
  body: Pick<SkyBody, 'azimuthDeg' | 'altitudeDeg'>,
  sun: SkyBody,
  moon: SkyBody,
  moonPhaseAngleDeg: number,
): number {
  // The twilight that was fitted holds the night sky's own light.
  let total = nanolamberts(Math.min(DARK_SKY, twilightMagnitude(sun.altitudeDeg)));
  if (moon.altitudeDeg > 0 && body.altitudeDeg > 0) {
    const illuminance = 10 ** (-0.4 * (3.84 + 0.026 * moonPhaseAngleDeg + 4e-9 * moonPhaseAngleDeg ** 4));
    const away = separationDeg(body, moon);
    const scattered = 10 ** 5.36 * (1.06 + Math.cos((away * Math.PI) / 180) ** 2) + 10 ** (6.15 - away / 40);
    total +=
      scattered *
      illuminance *
      10 ** (-0.4 * EXTINCTION * lightPath(moon.altitudeDeg)) *
      (1 - 10 ** (-0.4 * EXTINCTION * lightPath(body.altitudeDeg)));
  }
  return (20.7233 - Math.log(total / 34.08)) / 0.92104;
}

/** Scattering airmass (Krisciunas & Schaefer 1991, eq. 3). */
const lightPath = (altitudeDeg: number) => 1 / Math.sqrt(1 - 0.96 * Math.cos((altitudeDeg * Math.PI) / 180) ** 2);

function twilightMagnitude(sunAltitudeDeg: number): number {
  const beyond = -sunAltitudeDeg - 5;
  if (beyond < 0) return Math.max(3, 11.84 + 1.518 * beyond);
  return 11.84 + 1.518 * Math.min(13, beyond) - 0.057 * Math.min(13, beyond) ** 2;
}
