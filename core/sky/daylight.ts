/** The Sun's danger: when it is up, what stands too near it, and what daylight means. */
import type { Place } from './place.ts';
import { type SkyBody, separationDeg } from './positions.ts';

/** No target nearer to the Sun than this while it is up, degrees. */
export const SUN_MARGIN_DEG = 20;

export type Daylight = 'day' | 'civil' | 'nautical' | 'astronomical' | 'night';

/** The Sun's upper edge above the sea's horizon as seen from the place's height (dip 1.76′ √m, The Nautical Almanac). */
export function isSunUp(sun: SkyBody, { elevationM }: Place): boolean {
  const dipDeg = (1.76 / 60) * Math.sqrt(Math.max(0, elevationM));
  return sun.altitudeDeg + sun.diameterArcsec / 7200 > -dipDeg;
}

/** Day, one of the three twilights, or night. */
export function daylightAt(sun: SkyBody, place: Place): Daylight {
  if (isSunUp(sun, place)) return 'day';
  if (sun.altitudeDeg > -6) return 'civil';
  if (sun.altitudeDeg > -12) return 'nautical';
  return sun.altitudeDeg > -18 ? 'astronomical' : 'night';
}

/** Whether to point there is refused: too near the Sun while it is up. */
export function isNearSun(direction: Pick<SkyBody, 'azimuthDeg' | 'altitudeDeg'>, sun: SkyBody, place: Place): boolean {
  return isSunUp(sun, place) && separationDeg(direction, sun) < SUN_MARGIN_DEG;
}
