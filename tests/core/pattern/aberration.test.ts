/** Lenses with spherical aberration: it moves the spots' mean rays and bends their shapes, and is told from those. */
import { expect, test } from 'vitest';
import { Follower, measure } from '../../../core/pattern/measure.ts';
import { expose } from '../../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../../core/simulator/render.ts';
import { truth } from '../../../core/simulator/scene.ts';
import { signedError } from '../../bench/measurement.ts';
import { drawScene, familyNamed } from '../../bench/scenes.ts';
import { frameOf, measured, scene, UNKNOWN } from './support.ts';

test.each([
  [0.4, -10],
  [0.4, 6],
  [-0.35, 10],
  [-0.35, -4],
])('%d waves of it at %d µm of defocus: the offset is that of the mean rays', (sphericalWaves, dzUm) => {
  const drawn = scene({ sphericalWaves, dzUm });
  const light = renderNoiseFree(drawn);
  const { focalMm, fNumber, pixelUm } = drawn;
  const { offsetPx } = truth(drawn);
  const follower = new Follower();
  for (const seed of [1, 2, 3]) {
    const image = expose(light, { ...drawn, seed });
    // The first is searched for, the others are followed; taken for defocus alone they would be 0.4 px off, or 40 σ.
    const found = measured(follower.measure(image, { ...UNKNOWN, focalMm, fNumber, pixelUm }));
    expect(Math.abs(found.offsetPx - offsetPx)).toBeLessThan(Math.min(5 * found.offsetSigmaPx, 0.15));
  }
});

test('which way round the outer gratings sit is not known: aberration shows it near focus, too', () => {
  const drawnScene = drawScene(familyNamed('spherical'), 7, 1);
  const { focalMm, fNumber, pixelUm, mask } = drawnScene;
  const typed = { ...mask!, orientation: null, handedness: null };
  const { offsetPx, offsetSigmaPx, middleAngleDeg } = measured(
    measure(frameOf(drawnScene), { focalMm, fNumber, pixelUm, mask: typed }),
  );
  // With one way round alone it was 0.56 px, or 19 σ.
  const error = Math.abs(signedError(truth(drawnScene), offsetPx, middleAngleDeg));
  expect(error).toBeLessThan(Math.min(5 * offsetSigmaPx, 0.15));
});

test('nothing is known of lens and mask: aberration shows all the same', () => {
  const drawnScene = drawScene(familyNamed('spherical'), 4, 2);
  const { offsetPx, offsetSigmaPx, middleAngleDeg } = measured(measure(frameOf(drawnScene), UNKNOWN));
  // Taken for defocus it was 0.40 px, or 20 σ.
  const error = Math.abs(signedError(truth(drawnScene), offsetPx, middleAngleDeg));
  expect(error).toBeLessThan(Math.min(5 * offsetSigmaPx, 0.15));
});
