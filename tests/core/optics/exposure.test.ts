import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import {
  GREEN_BAND_NM,
  longestExposureS,
  meteredEv,
  SIDEREAL_RAD_PER_S,
  settingsEv,
  skyElectronsPerS,
  skyLevel,
  skyLimitedS,
  skyLuminance,
  trailUm,
  ZERO_MAG_PHOTONS,
} from '../../../core/optics/exposure.ts';

const EQUATOR = { declinationDeg: 0, offAxisDeg: 0 };
const ARCSEC = Math.PI / 180 / 3600;

describe('trails', () => {
  test('the sky turns 15.041 arc seconds a second, once in 86164.1 s (Explanatory Supplement to the Astronomical Almanac, from memory)', () => {
    expect(SIDEREAL_RAD_PER_S / ARCSEC).toBeCloseTo(15.041, 3);
    expect((2 * Math.PI) / SIDEREAL_RAD_PER_S).toBeCloseTo(86164.1, 0);
  });

  test('6 µm behind 24 mm is 51.57 arc seconds (206.265 p/f, the plate scale of handbooks), 3.43 s at the equator, twice that at 60°', () => {
    const exposureS = longestExposureS(24, EQUATOR, 6);
    expect(exposureS).toBeCloseTo((206.265 * 6) / 24 / 15.041, 3);
    expect(exposureS).toBeCloseTo(3.43, 2);
    expect(longestExposureS(24, { ...EQUATOR, declinationDeg: -60 }, 6)).toBeCloseTo(2 * exposureS, 5);
  });

  const cases: { focalMm: number; declinationDeg: number; offAxisDeg: number; exposureS: number; trailUm: number }[] =
    JSON.parse(readFileSync(new URL('../../reference/fixtures/trails.json', import.meta.url), 'utf8')).cases;
  test.each(cases)(
    '$focalMm mm, $declinationDeg° declination, $offAxisDeg° off the axis, $exposureS s: as astropy projects the star (fixture, script beside it)',
    ({ focalMm, exposureS, trailUm: expectedUm, ...place }) => {
      expect(trailUm(focalMm, place, exposureS) / expectedUm).toBeCloseTo(1, 6);
      expect(longestExposureS(focalMm, place, expectedUm) / exposureS).toBeCloseTo(1, 6);
    },
  );
  test('the fixture holds cases on and off the axis', () => {
    expect(cases.filter(({ offAxisDeg }) => offAxisDeg > 20).length).toBeGreaterThan(2);
    expect(cases.filter(({ offAxisDeg }) => offAxisDeg === 0).length).toBeGreaterThan(4);
  });

  test('a star close to the pole never trails that far', () => {
    expect(longestExposureS(24, { declinationDeg: 90, offAxisDeg: 0 }, 6)).toBe(Infinity);
    expect(longestExposureS(24, { declinationDeg: 89.99, offAxisDeg: 0 }, 60)).toBe(Infinity);
  });

  test('refuses what is no place', () => {
    expect(() => trailUm(24, { declinationDeg: 91, offAxisDeg: 0 }, 1)).toThrow('declination must be −90 to 90°');
    expect(() => longestExposureS(24, { declinationDeg: 0, offAxisDeg: 90 }, 6)).toThrow('off-axis angle');
    expect(() => trailUm(24, EQUATOR, 0)).toThrow('exposure must be a number above 0');
  });
});

describe('the sky', () => {
  test('a star of V = 23.90 gives 2.42 photons a second and m² in Δλ/λ = 0.16 (worked example of the Harvard course AY145, after Bessell 1979)', () => {
    expect(ZERO_MAG_PHOTONS * 10 ** (-0.4 * 23.9) * 0.16 * 550).toBeCloseTo(2.42, 1);
  });

  test('electrons agree to 5 % with the other way round: luminance, π/4 L/N² lx, 683 lm/W over the photopic curve’s 106.9 nm (CIE)', () => {
    const [skyMag, fNumber, pixelUm] = [21, 2.8, 4.4];
    const lux = ((Math.PI / 4) * skyLuminance(skyMag)) / fNumber ** 2;
    const photonJ = (6.62607015e-34 * 2.99792458e8) / 555e-9;
    const photonsPerNm = lux / 683 / photonJ / 106.9;
    const expected = photonsPerNm * GREEN_BAND_NM * (pixelUm * 1e-6) ** 2;
    expect(skyElectronsPerS(skyMag, fNumber, pixelUm, 1) / expected).toBeGreaterThan(0.95);
    expect(skyElectronsPerS(skyMag, fNumber, pixelUm, 1) / expected).toBeLessThan(1.05);
  });

  test('0 mag/arcsec² is 10.8e4 cd/m² (usual conversion of sky meters), 22 a natural sky of 171 µcd/m²', () => {
    expect(skyLuminance(0) / 1e4).toBeCloseTo(10.8, 1);
    expect(skyLuminance(22) * 1e6).toBeCloseTo(171, 0);
  });

  test('limited by the sky: the noise is 5 % above the sky’s own', () => {
    const [readNoiseE, electronsPerS] = [3, 0.8];
    const skyE = skyLimitedS(readNoiseE, electronsPerS) * electronsPerS;
    expect(Math.sqrt(skyE + readNoiseE ** 2) / Math.sqrt(skyE)).toBeCloseTo(1.05, 9);
    expect(skyE / readNoiseE ** 2).toBeCloseTo(9.76, 2);
  });

  test('EV 15 is 1/125 s at f/16 and ISO 100 (APEX table); 4096 cd/m² meters as EV 15 (K = 12.5, ISO 2720)', () => {
    expect(settingsEv(16, 1 / 128, 100)).toBe(15);
    expect(settingsEv(16, 1 / 128, 400)).toBe(13);
    expect(meteredEv(4096)).toBeCloseTo(15, 9);
    // The galactic centre is EV −11 to −9 in exposure guides (from memory).
    expect(meteredEv(skyLuminance(21.5))).toBeGreaterThan(-11);
    expect(meteredEv(skyLuminance(21.5))).toBeLessThan(-8.5);
  });

  test('as metered, a scene comes out at 10.4 % of saturation: 0.65 · 12.5 / 78 (ISO 12232, ISO 2720)', () => {
    const [fNumber, iso] = [2.8, 3200];
    const exposureS = (fNumber ** 2 * 12.5) / (skyLuminance(21) * iso);
    expect(settingsEv(fNumber, exposureS, iso)).toBeCloseTo(meteredEv(skyLuminance(21)), 9);
    // 0.1042 of light is 0.358 after the curve of IEC 61966-2-1.
    expect(skyLevel(21, fNumber, exposureS, iso)).toBeCloseTo(1.055 * ((0.65 * 12.5) / 78) ** (1 / 2.4) - 0.055, 9);
    expect(skyLevel(18, fNumber, 20 * exposureS, iso)).toBe(1);
  });

  test('refuses what is no sky', () => {
    expect(() => skyLuminance(-3)).toThrow('sky brightness must be 0 to 30 mag/arcsec², not -3');
    expect(() => skyElectronsPerS(21, 2.8, 4.4, 1.1)).toThrow('transmission must be above 0 and at most 1, not 1.1');
    expect(() => skyElectronsPerS(21, 2.8, 0)).toThrow('pixel size must be a number above 0');
    expect(() => settingsEv(2.8, 10, 0)).toThrow('ISO must be a number above 0');
  });
});
