/** Simulated frames for the tests of the measurement: small ones, so that many can be drawn. */
import { expect } from 'vitest';
import type { PixelImage } from '../../../core/frame.ts';
import type { Measurement, Optics, Reading } from '../../../core/measurement.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { expose } from '../../../core/simulator/expose.ts';
import { seededRandom } from '../../../core/simulator/random.ts';
import { renderNoiseFree } from '../../../core/simulator/render.ts';
import { defaultScene, type Scene, star, type Truth, truth } from '../../../core/simulator/scene.ts';
import { sceneLimit } from '../../bench/bound.ts';
import { rms, signedError } from '../../bench/measurement.ts';

export const UNKNOWN: Optics = { focalMm: null, fNumber: null, pixelUm: null, mask: null };

/** A bright star in the middle of a frame of `sizePx`, spots 63 px from it unless changed. */
export function scene(changes: Partial<Scene> = {}, sizePx = 300): Scene {
  return defaultScene({
    widthPx: sizePx,
    heightPx: sizePx,
    star: star(sizePx / 2 + 0.3, sizePx / 2 - 0.4, 300_000),
    pedestal: 0.004,
    ...changes,
  });
}

export function frameOf(drawn: Scene): PixelImage {
  return expose(renderNoiseFree(drawn), drawn);
}

export function measured(reading: Reading): Measurement {
  if (reading.status !== 'measured') throw new Error(`not measured: ${reading.reason}`);
  return reading;
}

/** The reading agrees with the truth: star, angles, distance, and the offset within 5 σ or `share` of it. */
export function expectTrue(reading: Reading, known: Truth, share = 0.03): void {
  const found = measured(reading);
  expect(Math.hypot(found.star.xPx - known.starXPx, found.star.yPx - known.starYPx)).toBeLessThan(
    Math.max(1.2, 0.03 * known.spotDistancePx),
  );
  expect(Math.abs(found.spotDistancePx / known.spotDistancePx - 1)).toBeLessThan(0.06);
  expect(Math.abs(found.outerAngleDeg - known.outerAngleDeg)).toBeLessThan(1 + 8 / known.spotDistancePx);
  const turn = Math.abs(found.middleAngleDeg - known.middleAngleDeg);
  expect(Math.min(turn, 180 - turn)).toBeLessThan(0.7 + 8 / known.spotDistancePx);
  expect(found.middleAngleDeg).toBeGreaterThan(-90);
  expect(found.middleAngleDeg).toBeLessThanOrEqual(90);
  const error = signedError(known, found.offsetPx, found.middleAngleDeg);
  expect(Math.abs(error)).toBeLessThan(Math.max(5 * found.offsetSigmaPx, share * Math.abs(known.offsetPx)));
  // A σ that is too large would hide any error.
  expect(found.offsetSigmaPx).toBeLessThan(0.02 * known.spotDistancePx);
}

/** Error over the Cramér–Rao bound, root mean square of 12 exposures of one scene; lens, pixel size and mask known. */
export function errorOverBound(drawnScene: Scene): number {
  const { focalMm, fNumber, pixelUm, mask } = drawnScene;
  const known = truth(drawnScene);
  const light = renderNoiseFree(drawnScene);
  const errors = Array.from({ length: 12 }, (_, draw) => {
    const frame = expose(light, drawnScene, seededRandom(draw + 1));
    const found = measured(measure(frame, { focalMm, fNumber, pixelUm, mask }));
    return signedError(known, found.offsetPx, found.middleAngleDeg);
  });
  return rms(errors) / sceneLimit(drawnScene, () => 0).boundPx;
}

/** Draws, measures nothing, and gives both the frame and what is true of it. */
export function drawn(changes: Partial<Scene> = {}, sizePx = 300): { image: PixelImage; known: Truth } {
  const drawnScene = scene(changes, sizePx);
  return { image: frameOf(drawnScene), known: truth(drawnScene) };
}
