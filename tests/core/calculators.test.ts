import { describe, expect, test } from 'vitest';
import {
  type Camera,
  focusFigures,
  marksOfDefocus,
  offsetFigures,
  skyFigures,
  trailFigures,
} from '../../core/calculators.ts';
import type { Calibration } from '../../core/guide/calibrate.ts';
import { guide } from '../../core/guide/guide.ts';
import type { Measurement } from '../../core/measurement.ts';
import { DEFAULT_MASK, offsetSlope } from '../../core/optics/mask.ts';
import { figure, focusLines, offsetLines, skyLines, trailLines } from '../../core/strings.ts';
import { Tracker } from '../../core/track/track.ts';

const camera: Camera = { focalMm: 24, fNumber: 2.8, pixelUm: 4.4 };
const mask = { ...DEFAULT_MASK, orientation: 1 as const, handedness: 1 as const, pitchUm: 175, outerAngleDeg: 20 };

describe('what infinity means', () => {
  test('24 mm at f/2.8, one pixel of 4.4 µm let pass: the stars’ focus reaches from f²/(N c) = 46.75 m, the hyperfocal one from half of it', () => {
    const figures = focusFigures(camera, 1);
    expect(figures.nearestM).toBeCloseTo(24 ** 2 / (2.8 * 4.4), 6);
    expect(figures.hyperfocalM).toBeCloseTo(24 ** 2 / (2.8 * 4.4) + 0.024, 6);
    expect(figures.nearestHyperfocalM).toBeCloseTo(figures.hyperfocalM / 2, 6);
    expect(figures).toMatchObject({ limit: 'blur', nearM: null, farM: null });
    // 2.44 λ N = 3.76 µm (Born & Wolf §8.5.2).
    expect(figures.airyPx * 4.4).toBeCloseTo(3.76, 2);
  });

  test('less blur than diffraction’s own is not to be had: the band is the depth of focus', () => {
    const figures = focusFigures(camera, 0.5);
    expect(figures.limit).toBe('diffraction');
    expect(figures.sharpBandUm).toBe(figures.depthOfFocusUm);
  });

  test('a distance asked for lies between its limits', () => {
    const { nearM, farM } = focusFigures(camera, 1, 10);
    expect(nearM).toBeLessThan(10);
    expect(farM).toBeGreaterThan(10);
  });
});

describe('what an offset means', () => {
  test('a lens focused on a rock at 50 m blurs stars by its focus shift over N, and the rock is what is in focus', () => {
    const defocusUm = (1 / (1 / 24 - 1 / 50_000) - 24) * 1000; // 1/f = 1/s + 1/s′, Gaussian lens formula
    const figures = offsetFigures(camera, defocusUm);
    expect(figures.blurPx).toBeCloseTo(11.526 / 2.8 / 4.4, 3);
    expect(figures.focusedAtM).toBeCloseTo(50, 6);
    expect(figures.depthsOfFocus).toBeCloseTo(11.526 / 8.624, 3);
    expect(offsetFigures(camera, -5).focusedAtM).toBeNull();
  });

  test('ring marks are those that live guidance shows for the same offset', () => {
    const calibration: Calibration = {
      version: 1,
      middleAngleDeg: 0,
      clockwiseSign: 1,
      significance: 20,
      perMark: { spotDistances: 0.05, sigma: 0.004 },
      orientation: 1,
      handedness: 1,
      focalMm: 24,
    };
    const { k } = offsetSlope(mask, 20);
    const pixelUm = 1.2;
    const spotDistancePx = (0.55 * 24_000) / 175 / pixelUm;
    const defocusUm = 30;
    const measurement: Measurement = {
      status: 'measured',
      star: { xPx: 500, yPx: 300, saturated: false },
      offsetPx: (k * defocusUm) / 2.8 / pixelUm,
      offsetSigmaPx: 0.01,
      middleAngleDeg: 0,
      outerAngleDeg: 20,
      outerAngleSigmaDeg: 0.1,
      spotDistancePx,
      spotDistanceSigmaPx: 0.1,
      defocusUm,
      defocusSigmaUm: 0.1,
      k,
      pixelUm,
      pixelSigmaUm: 0,
      snr: 50,
      spots: [],
      merged: false,
    };
    const tracker = new Tracker();
    let track = tracker.push(0, measurement);
    for (let frame = 1; frame < 20; frame++) track = tracker.push(frame * 100, measurement);
    const optics = { focalMm: 24, fNumber: 2.8, pixelUm, mask };
    const instruction = guide(track, optics, calibration);
    if (!('aim' in instruction)) throw new Error('no aim');
    const marks = marksOfDefocus(defocusUm, optics, calibration)!;
    expect(marks.marks).toBeCloseTo(instruction.aim.distanceMarks!, 6);
    expect(marks.sigma / marks.marks).toBeCloseTo(0.004 / 0.05, 9);
    expect(offsetFigures(camera, -defocusUm, marks)).toMatchObject({ marks: marks.marks, marksSigma: marks.sigma });

    expect(marksOfDefocus(defocusUm, { ...optics, focalMm: 35 }, calibration)).toBeNull();
    expect(marksOfDefocus(defocusUm, { ...optics, mask: { ...mask, pitchUm: null } }, calibration)).toBeNull();
    expect(marksOfDefocus(defocusUm, optics, null)).toBeNull();
  });
});

describe('in words', () => {
  test('two significant digits, a true minus sign, infinity', () => {
    expect(figure(46.753, 'm')).toBe('47 m');
    expect(figure(1234.6, 's')).toBe('1235 s');
    expect(figure(-9.237, '')).toBe('−9.2');
    expect(figure(Infinity, 's')).toBe('∞');
    expect(figure(0.04567, 'px')).toBe('0.05 px');
    expect(figure(0, 'px')).toBe('0 px');
  });

  test('every figure is told', () => {
    expect(focusLines(focusFigures(camera, 1, 10), 10)).toEqual([
      ['Focused on the stars, sharp from', '47 m'],
      ['Hyperfocal distance', '47 m'],
      ['Focused there, sharp from', '23 m'],
      // s g / (g ± (s − f)) with g = 46.75 m
      ['Focused at 10 m, sharp', '8.2 m to 13 m'],
      ['Depth of focus', '± 8.6 µm'],
      ['Passes as sharp', '± 12 µm'],
      ['Disc of diffraction', '0.85 px'],
    ]);
    expect(focusLines(focusFigures(camera, 0.1), null)[4][1]).toMatch(/diffraction/);
    const sky = { skyMag: 21.5, exposureS: 20, iso: 3200, readNoiseE: 3 };
    expect(skyLines(skyFigures(camera, sky))[3][1]).toMatch(/^\d+ % of white, 2\.\d stops below middle grey$/);
    expect(skyLines(skyFigures(camera, { ...sky, skyMag: 15 }))[3][1]).toMatch(/above middle grey$/);
    expect(trailLines(trailFigures(camera, { declinationDeg: 90, offAxisDeg: 0 }, 1))[0]).toEqual([
      'Longest exposure',
      '∞',
    ]);
    expect(offsetLines(offsetFigures(camera, -12))).toEqual([
      ['Blur of a star', '0.97 px'],
      ['Depths of focus away', '1.4'],
      ['In focus is', 'nothing: past ∞'],
      ['On the ring', 'not known: no calibration with marks'],
    ]);
    expect(offsetLines(offsetFigures(camera, 30, { marks: 0.42, sigma: 0.03 }))[3][1]).toBe('0.40 marks');
  });
});
