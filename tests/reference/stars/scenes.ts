/** Star fields that other programs have measured; see catalogue.py. Drawn from a seed: the fixture holds catalogues alone. */
import type { PixelImage } from '../../../core/frame.ts';
import { expose, exposeRaw } from '../../../core/simulator/expose.ts';
import { type FieldBlur, type FieldStar, fieldScene, SHARP, seededField } from '../../../core/simulator/field.ts';
import type { Scene } from '../../../core/simulator/scene.ts';

interface FieldPlan {
  stars: number;
  faintestE: number;
  blur?: Partial<FieldBlur>;
  scene?: Partial<Scene>;
  /** With the tone curve in 8 bits; else linear in 16, as camera raw is decoded. */
  eightBit?: true;
}

const PLANS: Record<string, FieldPlan> = {
  'in focus': { stars: 260, faintestE: 350 },
  defocused: { stars: 160, faintestE: 4000, blur: { discPx: 11 } },
  tilted: { stars: 260, faintestE: 700, blur: { tiltXPx: 6, tiltYPx: -3 } },
  trailed: { stars: 220, faintestE: 900, blur: { trailXPx: 5, trailYPx: 3 } },
  'curved field': { stars: 260, faintestE: 700, blur: { curvaturePx: 6 } },
  crowded: { stars: 1800, faintestE: 250, scene: { widthPx: 600, heightPx: 500 } },
  'sky gradient': { stars: 260, faintestE: 450, scene: { skyE: 260, skyGradientXE: 240, skyGradientYE: -160 } },
  'burnt-out stars': { stars: 260, faintestE: 500, scene: { fullWellE: 2200 } },
  undersampled: { stars: 260, faintestE: 350, blur: { fwhmPx: 1.5 } },
  'eight bits': { stars: 260, faintestE: 450, scene: { fullWellE: 1600 }, eightBit: true },
  'colour mosaic': { stars: 220, faintestE: 700, scene: { bayer: true, hotPixels: 60, hotPixelE: 4000 } },
};

export const FIELDS = Object.keys(PLANS);

export interface Field {
  image: PixelImage;
  stars: FieldStar[];
}

export function drawField(name: string): Field {
  const { stars: count, faintestE, blur, scene: changes, eightBit } = PLANS[name];
  const scene = fieldScene({ widthPx: 800, heightPx: 600, seed: 100 + FIELDS.indexOf(name), ...changes });
  const { stars, light } = seededField(scene, count, faintestE, { ...SHARP, ...blur });
  return { image: (eightBit ? expose : exposeRaw)(light, scene), stars };
}
