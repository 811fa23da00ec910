/** The bright stars, from the table in stars.ts. */
import { STARS } from './stars.ts';

export interface Star {
  /** IAU name, else the designation. */
  name: string;
  /** Bayer letter and constellation. */
  designation: string;
  /** At J2000, degrees. */
  raDeg: number;
  decDeg: number;
  /** Proper motion in right ascension (times cos declination) and in declination, arc seconds a year. */
  pmRaArcsec: number;
  pmDecArcsec: number;
  /** V. */
  magnitude: number;
  temperatureK: number;
}

export const CATALOGUE: readonly Star[] = STARS.trim()
  .split('\n')
  .map((row) => {
    const [name, designation, ...numbers] = row.split('|');
    const [raDeg, decDeg, pmRaArcsec, pmDecArcsec, magnitude, colour] = numbers.map(Number);
    return {
      name: name || designation,
      designation,
      raDeg,
      decDeg,
      pmRaArcsec,
      pmDecArcsec,
      magnitude,
      temperatureK: colourTemperatureK(colour),
    };
  });

/** Temperature of the black body with colour index B−V (Ballesteros 2012, EPL 97, 34008, eq. 14), K. */
export function colourTemperatureK(colour: number): number {
  return 4600 * (1 / (0.92 * colour + 1.7) + 1 / (0.92 * colour + 0.62));
}
