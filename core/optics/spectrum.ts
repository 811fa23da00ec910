/**
 * Colour of star light as a sensor sees it. The response curves are invented: one smooth bell per
 * colour inside a common ultraviolet and infrared cut, of the width usual for colour filters, and
 * scaled so that a star of 5800 K gives equal signal in all three.
 */

/** Ends of the band that is integrated, µm. */
export const BAND_UM = { min: 0.4, max: 0.7 };

const BELLS = [
  { centreUm: 0.6, sigmaUm: 0.036 },
  { centreUm: 0.535, sigmaUm: 0.038 },
  { centreUm: 0.462, sigmaUm: 0.03 },
] as const;

/** Photon rate of a black body per unit wavelength, arbitrary scale (Planck's law divided by the photon energy). */
export function planckPhotons(wavelengthUm: number, temperatureK: number): number {
  const hcOverK = 14387.7688; // second radiation constant, µm K (CODATA 2018)
  return wavelengthUm ** -4 / Math.expm1(hcOverK / (wavelengthUm * temperatureK));
}

function bell(channel: number, wavelengthUm: number): number {
  const { centreUm, sigmaUm } = BELLS[channel];
  const cut = 1 / (1 + Math.exp((0.42 - wavelengthUm) / 0.006)) / (1 + Math.exp((wavelengthUm - 0.675) / 0.006));
  return cut * Math.exp(-0.5 * ((wavelengthUm - centreUm) / sigmaUm) ** 2);
}

function channelSums(temperatureK: number): number[] {
  const sums = [0, 0, 0];
  for (let i = 0; i < 300; i++) {
    const wavelengthUm = BAND_UM.min + ((i + 0.5) / 300) * (BAND_UM.max - BAND_UM.min);
    for (let c = 0; c < 3; c++) sums[c] += bell(c, wavelengthUm) * planckPhotons(wavelengthUm, temperatureK);
  }
  return sums;
}

const whiteSums = channelSums(5800);

/** Relative sensitivity of channel 0 red, 1 green, 2 blue at a wavelength. */
export function sensorResponse(channel: number, wavelengthUm: number): number {
  return bell(channel, wavelengthUm) / whiteSums[channel];
}

export interface SpectralSample {
  wavelengthUm: number;
  /** Share of a star's electrons per colour; R/4 + G/2 + B/4 summed over all samples is 1. */
  rgb: [number, number, number];
}

/** Sub-steps per sample: the response is summed over the sample's share of the band. */
const SUBSTEPS = 12;

/** The band in `count` equal parts: each part's mean wavelength (by its light) and signal. */
export function starSpectrum(temperatureK: number, count: number): SpectralSample[] {
  const stepUm = (BAND_UM.max - BAND_UM.min) / (count * SUBSTEPS);
  const samples: SpectralSample[] = [];
  let total = 0;
  for (let i = 0; i < count; i++) {
    const rgb: [number, number, number] = [0, 0, 0];
    let [light, moment] = [1e-30, 1e-30 * (BAND_UM.min + (i + 0.5) * SUBSTEPS * stepUm)];
    for (let j = 0; j < SUBSTEPS; j++) {
      const wavelengthUm = BAND_UM.min + (i * SUBSTEPS + j + 0.5) * stepUm;
      const photons = planckPhotons(wavelengthUm, temperatureK);
      for (let c = 0; c < 3; c++) {
        const signal = photons * sensorResponse(c, wavelengthUm);
        const share = c === 1 ? signal / 2 : signal / 4;
        rgb[c] += signal;
        light += share;
        moment += share * wavelengthUm;
      }
    }
    total += light;
    samples.push({ wavelengthUm: moment / light, rgb });
  }
  for (const sample of samples) for (let c = 0; c < 3; c++) sample.rgb[c] /= total;
  return samples;
}
