/** One frame in, one reading out: the measured pattern, or the reason why there is none. */
import type { PixelImage } from '../frame.ts';
import type { Measurement, Optics, Reading } from '../measurement.ts';
import { starNear } from './candidates.ts';
import { describe } from './describe.ts';
import { type Found, findPattern, followPattern } from './find.ts';
import { Pyramid } from './pyramid.ts';

/** Of whatever was measured last: its arrays are used again. */
const pyramid = new Pyramid();

/**
 * Measures the pattern in one frame.
 * @param image decoded pixels, any size from about 64 × 64 px
 * @param optics what is known of lens, camera and mask; nulls leave `defocusUm` null
 * @returns a `Measurement` (see there for units and signs) or `NoPattern` with its reason
 * @throws RangeError when the mask's k is 0
 */
export function measure(image: PixelImage, optics: Optics): Reading {
  const found = findPattern(image, pyramid.build(image), optics);
  return 'reason' in found ? found : reading(image, found, optics);
}

/**
 * Measures frame after frame: once the pattern is found it is looked for where it was, and anywhere again
 * as soon as it is not there.
 */
export class Follower {
  private last: Found | null = null;
  /** Of the frame before that, where both were followed. */
  private before: Found | null = null;
  /** Of the last frame, from its own pattern: where no pixel size is given, it tells how wide diffraction is. */
  private pixelUm: number | null = null;

  /** As `measure`; frames may change size and place of the star at any time. */
  measure(image: PixelImage, optics: Optics): Reading {
    const known = { ...optics, pixelUm: optics.pixelUm ?? this.pixelUm };
    let found = this.last && followPattern(image, this.last, this.before, known);
    this.before = found && this.last;
    if (!found) {
      this.last = null;
      const searched = findPattern(image, pyramid.build(image), optics);
      if ('reason' in searched) return searched;
      found = searched;
    }
    this.last = found;
    const measured = reading(image, found, optics);
    this.pixelUm = measured.pixelUm;
    return measured;
  }
}

function reading(image: PixelImage, found: Found, optics: Optics): Measurement {
  const { xPx, yPx, distancePx } = found.rough;
  return describe(found, starNear(image, xPx, yPx, 0.3 * distancePx), optics);
}
