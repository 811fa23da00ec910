import exifr from 'exifr';

/** Where and when a picture was taken, by its receiver of navigation satellites (CIPA DC-008, GPS attributes). */
export interface Gps {
  latitudeDeg: number;
  longitudeDeg: number;
  /** 0 when the receiver did not tell. */
  elevationM: number;
  /** ISO 8601, by the satellites' clock; null when absent. */
  timeUtc: string | null;
}

/** Null when the picture has no position. Runs in Node and in the browser. */
export async function readGps(bytes: Uint8Array | ArrayBuffer): Promise<Gps | null> {
  const tags = await exifr
    .parse(bytes, {
      gps: true,
      pick: ['GPSLatitude', 'GPSLatitudeRef', 'GPSLongitude', 'GPSLongitudeRef', ...ALTITUDE, ...TIME],
      translateValues: false,
      reviveValues: false,
    })
    .catch(() => undefined);
  const latitudeDeg = degrees(tags?.GPSLatitude, tags?.GPSLatitudeRef, 'S', 90);
  const longitudeDeg = degrees(tags?.GPSLongitude, tags?.GPSLongitudeRef, 'W', 180);
  if (latitudeDeg === null || longitudeDeg === null) return null;
  const below = tags.GPSAltitudeRef === 1 || tags.GPSAltitudeRef?.[0] === 1;
  const elevation = typeof tags.GPSAltitude === 'number' ? tags.GPSAltitude : 0;
  return { latitudeDeg, longitudeDeg, elevationM: below ? -elevation : elevation, timeUtc: instant(tags) };
}

const ALTITUDE = ['GPSAltitude', 'GPSAltitudeRef'];
const TIME = ['GPSDateStamp', 'GPSTimeStamp'];

/** Degrees, minutes, seconds and a letter as signed degrees. */
function degrees(parts: unknown, letter: unknown, negative: string, largest: number): number | null {
  if (!Array.isArray(parts) || parts.length < 3) return null;
  const size = Number(parts[0]) + Number(parts[1]) / 60 + Number(parts[2]) / 3600;
  if (!(size >= 0 && size <= largest) || typeof letter !== 'string') return null;
  return letter.startsWith(negative) ? -size : size;
}

function instant({ GPSDateStamp: date, GPSTimeStamp: time }: Record<string, unknown>): string | null {
  const day = typeof date === 'string' && /^(\d{4}):(\d\d):(\d\d)/.exec(date);
  const parts = (typeof time === 'string' ? time.split(':') : Array.isArray(time) ? time : []).map(Number);
  if (!day || parts.length < 3) return null;
  const ms = Date.UTC(Number(day[1]), Number(day[2]) - 1, Number(day[3]), parts[0], parts[1], parts[2]);
  return Number.isNaN(ms) ? null : new Date(ms).toISOString();
}
