/** Where the tripod stands, and what is in its way. */
export interface Place {
  name: string;
  /** North positive. */
  latitudeDeg: number;
  /** East positive. */
  longitudeDeg: number;
  elevationM: number;
  /** Ridge, trees, haze: nothing lower than this is seen, degrees above the level horizon. */
  horizonDeg: number;
  /** Compass direction of the pictures to be taken, null when not decided. */
  towardsDeg: number | null;
}

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
