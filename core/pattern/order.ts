/**
 * Which order of the gratings the fitted spots are. In a picture that is little magnified the first
 * order may drown in the star's own glow, and the third one, faint as it is, is what can be fitted:
 * the zones' shifts, and so the offset, are the same in all orders, but the distance is not.
 */
import type { Fit } from './conclude.ts';
import { SIGN } from './lines.ts';
import type { Level } from './pyramid.ts';
import type { RoughPattern } from './rough.ts';

/** At a duty of one half the third order's spots are 27 times fainter than the first's (1/9 the light, 3 × the length). */
const LEAST_RATIO = 3;

/** 3 when much brighter spots stand on the same lines at a third of the distance, else 1. */
export function orderOf(level: Level, fit: Fit, rough: RoughPattern): 1 | 3 {
  const here = contrast(level, fit, rough, fit.distancePx);
  const inside = contrast(level, fit, rough, fit.distancePx / 3);
  return inside.least > 0 && inside.mean > LEAST_RATIO * here.mean ? 3 : 1;
}

/** Light on the six spots' places at a distance less that between the lines; mean, and least of the three pairs. */
function contrast(
  level: Level,
  { lines }: Fit,
  rough: RoughPattern,
  distancePx: number,
): { mean: number; least: number } {
  const at = (angle: number, along: number, across: number) => {
    const x = Math.round(rough.xPx + along * Math.cos(angle) - across * Math.sin(angle));
    const y = Math.round(rough.yPx + along * Math.sin(angle) + across * Math.cos(angle));
    return x < 0 || y < 0 || x >= level.widthPx || y >= level.heightPx ? 0 : level.data[y * level.widthPx + x];
  };
  const ends = (angle: number, across: number) => at(angle, distancePx, across) + at(angle, -distancePx, across);
  // Dark places at the same distance: outside the outer lines, and square to the middle one.
  const dark = [2, -2].map((turns) => ends(lines.angle + turns * lines.outer, 0));
  dark.push(ends(lines.angle + Math.PI / 2, 0));
  const sky = dark.reduce((a, b) => a + b) / dark.length;
  const pairs = SIGN.map((sign, zone) => ends(lines.angle + sign * lines.outer, lines.across[zone]) - sky);
  return { mean: (pairs[0] + pairs[1] + pairs[2]) / 3, least: Math.min(...pairs) };
}
