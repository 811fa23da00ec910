/** One photograph teaches the mask; the pattern then gives every picture's scale. Truth: the simulator's own optics. */
import { describe, expect, test } from 'vitest';
import { learnMask, pixelFromPattern } from '../../../core/learn/mask.ts';
import type { Measurement, Optics } from '../../../core/measurement.ts';
import { DEFAULT_MASK, type Mask } from '../../../core/optics/mask.ts';
import { measure } from '../../../core/pattern/measure.ts';
import type { Scene } from '../../../core/simulator/scene.ts';
import { star, truth } from '../../../core/simulator/scene.ts';
import { enlarged } from '../../bench/frames.ts';
import { frameOf, measured, scene } from '../pattern/support.ts';

const TIME = '2026-02-03T21:00:00Z';
const PITCH_UM = 175;
const still: Optics = { focalMm: 24, fNumber: 2.8, pixelUm: 1.2, mask: null };

function look(changes: Partial<Scene>, optics: Optics, sizePx?: number): Measurement {
  return measured(measure(frameOf(scene(changes, sizePx)), optics));
}

function learned(reading: Measurement, optics = still): Mask {
  const taught = learnMask(reading, optics, TIME);
  if (typeof taught === 'string') throw new Error(taught);
  return { ...DEFAULT_MASK, handedness: 1, orientation: 1, ...taught };
}

describe('pitch and outer angle', () => {
  const temperatures = [3500, 4200, 5000, 6500, 8000, 10000, 12000];
  const shots = temperatures.map((temperatureK, seed) =>
    learned(look({ star: star(150.3, 149.6, 300_000, temperatureK), dzUm: 2 * seed - 6, seed }, still)),
  );

  test('are right within their σ for stars of all colours', () => {
    const pitch = shots.map(({ pitchUm, learned }) => (pitchUm! / PITCH_UM - 1) / learned!.scaleSigma);
    const angle = shots.map(({ outerAngleDeg, learned }) => (outerAngleDeg! - 20) / learned!.outerAngleSigmaDeg);
    for (const z of [...pitch, ...angle]) expect(Math.abs(z)).toBeLessThan(3.5);
    const rms = Math.sqrt(pitch.reduce((sum, z) => sum + z * z, 0) / pitch.length);
    expect(rms).toBeLessThan(1.5);
    // A σ that is too large would hide any error.
    for (const { learned } of shots) {
      expect(learned!.pitchSigmaUm).toBeLessThan(0.035 * PITCH_UM);
      expect(learned!.outerAngleSigmaDeg).toBeLessThan(0.3);
    }
  });

  test('are not learned without focal length and pixel size', () => {
    const reading = look({}, still);
    expect(learnMask(reading, { ...still, focalMm: null }, TIME)).toBe('no-focal-length');
    expect(learnMask(reading, { ...still, pixelUm: null }, TIME)).toBe('no-pixel-size');
  });
});

describe('the scale of live view, from the pattern', () => {
  const mask = learned(look({ seed: 2 }, still));
  const live: Optics = { ...still, pixelUm: null, mask };

  test.each([
    ['reduced to a half', 2.4],
    ['as large', 1.2],
    ['magnified twice', 0.6],
  ])('%s', (_, pixelUm) => {
    const drawn = { pixelUm, dzUm: 9, seed: 7 };
    // Large enough that the red ends of the spots stay inside.
    const reading = look(drawn, live, pixelUm < 1 ? 460 : 300);
    expect(Math.abs(reading.pixelUm! / pixelUm - 1)).toBeLessThan(0.02);
    expect(Math.abs(reading.pixelUm! - pixelUm)).toBeLessThan(3 * reading.pixelSigmaUm!);
    expect(reading.pixelSigmaUm!).toBeLessThan(0.03 * pixelUm);
    const { dzUm } = truth(scene(drawn));
    expect(Math.abs(reading.defocusUm! - dzUm)).toBeLessThan(3 * reading.defocusSigmaUm!);
  });

  // A full-size still at 50 mm: spots 37 px from the star, 12 px where it is reduced.
  const far: Optics = { ...still, focalMm: 50, pixelUm: 4.3 };
  const shot = { focalMm: 50, pixelUm: 4.3, dzUm: 12, seed: 3 };
  const farMask = learned(look({ ...shot, bayer: true }, far), far);

  test.each([
    ['a third as large', 300, 3, 1],
    ['magnified five times by interpolation', 130, 1, 5],
    ['magnified ten times by interpolation', 110, 1, 10],
  ])('%s', async (_, sizePx, reduced, times) => {
    const drawn = { ...shot, pixelUm: 4.3 * reduced, bayer: times > 1, seed: 8 };
    const frame = await enlarged(frameOf(scene(drawn, sizePx)), times);
    const reading = measured(measure(frame, { ...far, pixelUm: null, mask: farMask }));
    const pixelUm = drawn.pixelUm / times;
    expect(Math.abs(reading.pixelUm! / pixelUm - 1)).toBeLessThan(0.02);
    expect(Math.abs(reading.pixelUm! - pixelUm)).toBeLessThan(3 * reading.pixelSigmaUm!);
    expect(reading.pixelSigmaUm!).toBeLessThan(0.03 * pixelUm);
    expect(Math.abs(reading.defocusUm! - shot.dzUm)).toBeLessThan(3 * reading.defocusSigmaUm!);
  });

  test('does not suffer from a lens that is not as long as engraved', () => {
    // 24 mm are stated, in the photograph and in live view, of a lens of 25.2 mm.
    const longer = { focalMm: 25.2, seed: 4 };
    const own = learned(look(longer, still));
    expect(own.pitchUm! / PITCH_UM).toBeLessThan(0.98);
    const reading = look({ ...longer, pixelUm: 2.4, seed: 5 }, { ...live, mask: own });
    expect(Math.abs(reading.pixelUm! / 2.4 - 1)).toBeLessThan(0.02);
  });

  test('is less sure at another focal length, and for a pitch that was typed', () => {
    const distance = { spotDistancePx: 60, spotDistanceSigmaPx: 0.1 };
    const sigma = (optics: Pick<Optics, 'focalMm' | 'mask'>) => {
      const { pixelUm, pixelSigmaUm } = pixelFromPattern(distance, optics)!;
      return pixelSigmaUm / pixelUm;
    };
    expect(sigma({ ...live, focalMm: 35 })).toBeGreaterThan(sigma(live) + 0.01);
    expect(sigma({ ...live, mask: { ...mask, learned: null } })).toBeGreaterThan(sigma(live));
    expect(pixelFromPattern(distance, { ...live, focalMm: null })).toBe(null);
    expect(pixelFromPattern(distance, { ...live, mask: null })).toBe(null);
  });
});
