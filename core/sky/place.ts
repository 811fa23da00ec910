import { z } from 'zod';

/** Where the tripod stands, and what is in its way. Kept in the settings. */
export const placeSchema = z.object({
  name: z.string().max(200).default(''),
  /** North positive. */
  latitudeDeg: z.number().min(-90).max(90),
  /** East positive. */
  longitudeDeg: z.number().min(-180).max(180),
  elevationM: z.number().min(-450).max(9000).default(0),
  /** Ridge, trees, haze: nothing lower than this is seen, degrees above the level horizon. */
  horizonDeg: z.number().min(0).max(85).default(10),
  /** Compass direction of the pictures to be taken, null when not decided. */
  towardsDeg: z.number().min(0).max(360).nullable().default(null),
});
export type Place = z.output<typeof placeSchema>;

const POINTS = ['N', 'NNE', 'NE', 'ENE', 'E', 'ESE', 'SE', 'SSE', 'S', 'SSW', 'SW', 'WSW', 'W', 'WNW', 'NW', 'NNW'];

/** Nearest of the sixteen compass points to an azimuth (from north over east), such as 'NNE'. */
export function compassPoint(azimuthDeg: number): string {
  return POINTS[((Math.round(azimuthDeg / 22.5) % 16) + 16) % 16];
}

/** Azimuth of a compass point, or of a number of degrees, as typed; null for anything else. */
export function parseDirection(text: string): number | null {
  const typed = text.trim().toUpperCase().replace('°', '');
  const point = POINTS.indexOf(typed);
  if (point !== -1) return 22.5 * point;
  const degrees = Number(typed);
  return typed !== '' && degrees >= 0 && degrees <= 360 ? degrees % 360 : null;
}
