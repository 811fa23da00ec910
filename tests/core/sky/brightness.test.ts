import { describe, expect, test } from 'vitest';
import { srgbDecode } from '../../../core/optics/transfer.ts';
import { expose } from '../../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../../core/simulator/render.ts';
import { defaultScene, star, truth } from '../../../core/simulator/scene.ts';
import { liveViewOf, skyMagnitude, spotPeak, spotSnr, TYPICAL } from '../../../core/sky/brightness.ts';
import type { SkyBody } from '../../../core/sky/positions.ts';

const body = (altitudeDeg: number, magnitude = 0, azimuthDeg = 0): SkyBody => ({
  kind: 'star',
  name: '',
  designation: '',
  azimuthDeg,
  altitudeDeg,
  magnitude,
  temperatureK: 8000,
  diameterArcsec: 0,
});

describe('the faintest spot against the simulator’s diffraction pattern', () => {
  const { mask } = defaultScene();
  test.each([
    { focalMm: 24, fNumber: 2.8, pixelUm: 4, pitchUm: 100, layout: 'half' },
    { focalMm: 50, fNumber: 1.4, pixelUm: 6, pitchUm: 150, layout: 'strips-u' },
    { focalMm: 24, fNumber: 8, pixelUm: 4, pitchUm: 100, layout: 'half' },
  ] as const)('$focalMm mm f/$fNumber, $layout', ({ focalMm, fNumber, pixelUm, pitchUm, layout }) => {
    const scene = defaultScene({
      widthPx: 161,
      heightPx: 161,
      focalMm,
      fNumber,
      pixelUm,
      pitchUm,
      mask: { ...mask!, pitchUm, layout },
      star: star(80.3, 79.8, 1),
      skyE: 0,
    });
    const { planes, widthPx } = renderNoiseFree(scene);
    const { starXPx, starYPx, spotDistancePx, outerAngleDeg } = truth(scene);
    let brightest = 0;
    for (let at = 0; at < planes[0].length; at++) {
      const [x, y] = [(at % widthPx) - starXPx, Math.floor(at / widthPx) - starYPx];
      const angleDeg = (Math.atan2(y, x) * 180) / Math.PI;
      const away = Math.hypot(x, y) / spotDistancePx;
      if (Math.abs(angleDeg - outerAngleDeg) < 6 && away > 0.6 && away < 1.5)
        brightest = Math.max(brightest, (planes[0][at] + 2 * planes[1][at] + planes[2][at]) / 4);
    }
    const live = liveViewOf({ focalMm, fNumber, pixelUm, mask: scene.mask })!;
    // The scene counts light behind the mask, of which the bars keep half.
    const expected = spotPeak(live, scene.star.temperatureK) / scene.mask!.duty;
    expect(Math.abs(expected / brightest - 1)).toBeLessThan(0.15);
  });
});

describe('signal to noise', () => {
  const live = liveViewOf({ focalMm: 24, fNumber: 2.8, pixelUm: null, mask: null })!;

  test('has the noise that the simulator gives a pixel', () => {
    const scene = defaultScene({ widthPx: 120, heightPx: 120, star: star(-500, -500, 0), skyE: 60, pedestal: 0.02 });
    const { data } = expose(renderNoiseFree(scene), scene);
    const electrons = Array.from(data, (value) => (srgbDecode(value / 255) - scene.pedestal) * scene.fullWellE);
    const mean = electrons.reduce((sum, e) => sum + e) / electrons.length;
    const noise = Math.sqrt(electrons.reduce((sum, e) => sum + (e - mean) ** 2, 0) / electrons.length);
    expect(noise / Math.sqrt(scene.skyE + scene.readNoiseE ** 2)).toBeCloseTo(1, 1);
    // Ours in the same shape: a peak of P electrons on S of sky has P / √(P + S + read²).
    const [faint, bright] = [spotSnr(body(90, 2), live, 30), spotSnr(body(90, 2 - 2.5 * Math.log10(16)), live, 30)];
    const peakE = (snr: number) => (snr ** 2 + Math.sqrt(snr ** 4 + 4 * snr ** 2 * live.readNoiseE ** 2)) / 2;
    expect(peakE(bright) / peakE(faint)).toBeCloseTo(16, 4);
  });

  test('grows with opening and exposure, falls with air and a bright sky', () => {
    const snr = spotSnr(body(60), live, 21);
    expect(spotSnr(body(60), { ...live, fNumber: 1.4 }, 21)).toBeGreaterThan(2 * snr);
    expect(spotSnr(body(60), { ...live, exposureS: 1 }, 21)).toBeGreaterThan(3 * snr);
    expect(spotSnr(body(10), live, 21)).toBeLessThan(snr);
    expect(spotSnr(body(60), live, 5)).toBeLessThan(snr / 2);
    expect(spotSnr(body(-1), live, 21)).toBe(0);
  });

  test('typical values stand in for what is not known; without a lens nothing is judged', () => {
    expect(liveViewOf({ focalMm: null, fNumber: 2, pixelUm: 4, mask: null })).toBeNull();
    expect(live).toMatchObject({ pixelUm: TYPICAL.pixelUm, exposureS: TYPICAL.exposureS });
    // Pitch such that 0.55 µm is turned by 60 pixels of 4 µm at 24 mm.
    expect(live.mask.pitchUm).toBeCloseTo(55, 0);
  });
});

describe('brightness of the sky', () => {
  const night = body(-50);
  const set = body(-20);

  test('is that of a dark site without Sun and Moon (79 nL, Krisciunas & Schaefer 1991)', () => {
    expect(skyMagnitude(body(60), night, set, 0)).toBeCloseTo(21.6, 1);
  });

  // Photographers' figure for a clear night of full Moon: about 18 (common practice, no source).
  test('is about 18 by full Moon, brighter near it and darker with its phase', () => {
    const away = skyMagnitude(body(60), night, body(60, 0, 120), 3);
    expect(away).toBeGreaterThan(17);
    expect(away).toBeLessThan(19);
    expect(skyMagnitude(body(60), night, body(60, 0, 15), 3)).toBeLessThan(away - 0.5);
    expect(skyMagnitude(body(60), night, body(60, 0, 120), 90)).toBeGreaterThan(away + 1.5);
  });

  test('darkens through twilight, at each degree', () => {
    const down = Array.from({ length: 31 }, (_, i) => skyMagnitude(body(60), body(5 - i), set, 0));
    for (let i = 1; i < down.length; i++) expect(down[i]).toBeGreaterThanOrEqual(down[i - 1]);
    expect(down[0]).toBeLessThan(5);
    expect(down[11]).toBeCloseTo(13.3, 0); // the Sun 6° below: Patat et al. 2006, from memory
  });
});
