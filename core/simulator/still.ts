import type { PixelImage } from '../frame.ts';
import { expose } from './expose.ts';
import { drawStars, renderField, SHARP } from './field.ts';
import { seededRandom } from './random.ts';
import { type LinearRgb, renderNoiseFree } from './render.ts';
import type { Scenario } from './scenario.ts';
import type { Scene } from './scene.ts';

/**
 * A photograph of a scene at the sensor's full resolution, some seconds of work: with the mask the whole diffraction
 * integral, without it the stars all over the field.
 */
export function exposeStill(scene: Scene, scenario: Scenario): PixelImage {
  return expose(scene.mask ? renderNoiseFree(scene) : fieldOf(scene, scenario), { ...scene, bayer: true });
}

/** The sky's stars are always the same ones; they move with the star that is focused on. */
function fieldOf(scene: Scene, { camera, lens, sky }: Scenario): LinearRgb {
  const { widthPx, heightPx, pixelUm, fNumber, dzUm, star } = scene;
  const stars = drawStars(sky.stars, widthPx, heightPx, sky.faintestE, seededRandom(613)).map((each) => ({
    ...each,
    xPx: each.xPx + star.xPx - widthPx / 2,
    yPx: each.yPx + star.yPx - heightPx / 2,
  }));
  return renderField(scene, stars, {
    ...SHARP,
    // The Gaussian of an Airy disc is 1.03 λN wide.
    fwhmPx: Math.hypot(camera.softnessUm, lens.softnessUm, 1.03 * 0.55 * fNumber) / pixelUm,
    discPx: dzUm / fNumber / pixelUm,
    cornerPx: lens.cornerUm / pixelUm,
  });
}
