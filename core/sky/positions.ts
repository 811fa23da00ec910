/**
 * Where Sun, Moon, planets and stars stand. Sun, Moon, planets, precession, nutation and sidereal time are
 * astronomy-engine's; what it lacks for stars, proper motion and aberration, is here.
 *
 * Times are Unix milliseconds, which are UTC; UT1 differs by less than 0.9 s, 0.004° of the sky's turning.
 */
import {
  AngleBetween,
  type AstroTime,
  BaryState,
  Body,
  C_AUDAY,
  Equator,
  HorizonFromVector,
  Illumination,
  MakeTime,
  Observer,
  RotateVector,
  Rotation_EQJ_HOR,
  Vector,
} from 'astronomy-engine';
import { CATALOGUE, type Star } from './catalogue.ts';
import type { Place } from './place.ts';

/** What shines, as seen from a place at a time. */
export interface SkyBody {
  kind: 'sun' | 'moon' | 'planet' | 'star';
  name: string;
  /** Bayer letter and constellation of a star, else empty. */
  designation: string;
  /** From north over east, [0, 360). */
  azimuthDeg: number;
  /** Above the level horizon; lifted by refraction unless told otherwise. */
  altitudeDeg: number;
  /** V, outside the atmosphere. */
  magnitude: number;
  /** Of its light: a black body's. */
  temperatureK: number;
  /** 0 for stars. */
  diameterArcsec: number;
}

export interface Sky {
  atMs: number;
  sun: SkyBody;
  moon: SkyBody;
  planets: SkyBody[];
  stars: SkyBody[];
}

/** Mean diameters, km (IAU Working Group on Cartographic Coordinates, Archinal et al. 2018; from memory). */
const PLANETS = [
  { body: Body.Mercury, diameterKm: 4879 },
  { body: Body.Venus, diameterKm: 12104 },
  { body: Body.Mars, diameterKm: 6779 },
  { body: Body.Jupiter, diameterKm: 139822 },
  { body: Body.Saturn, diameterKm: 116464 },
];
const SUN = { body: Body.Sun, diameterKm: 1391400 };
const MOON = { body: Body.Moon, diameterKm: 3474.8 };

/** Effective temperature of the Sun, K (IAU 2015 resolution B3); planets and Moon shine by its light. */
const SUN_K = 5772;
const KM_PER_AU = 149597870.7;
const ARCSEC_PER_RAD = 206264.806;
const DEG = Math.PI / 180;
const DAYS_PER_YEAR = 365.25;

export function observerAt({ latitudeDeg, longitudeDeg, elevationM }: Place): Observer {
  return new Observer(latitudeDeg, longitudeDeg, elevationM);
}

/** Direction of a star at a time, J2000 equator, with proper motion and the aberration of the Earth's velocity. */
function starVector(star: Star, time: AstroTime, earth: { vx: number; vy: number; vz: number }): Vector {
  const years = time.tt / DAYS_PER_YEAR;
  const [ra, dec] = [star.raDeg * DEG, star.decDeg * DEG];
  const [cosRa, sinRa, cosDec, sinDec] = [Math.cos(ra), Math.sin(ra), Math.cos(dec), Math.sin(dec)];
  const east = (years * star.pmRaArcsec) / ARCSEC_PER_RAD;
  const north = (years * star.pmDecArcsec) / ARCSEC_PER_RAD;
  return new Vector(
    cosDec * cosRa - east * sinRa - north * sinDec * cosRa + earth.vx / C_AUDAY,
    cosDec * sinRa + east * cosRa - north * sinDec * sinRa + earth.vy / C_AUDAY,
    sinDec + north * cosDec + earth.vz / C_AUDAY,
    time,
  );
}

/**
 * The whole sky above and below the horizon.
 * @param refraction the atmosphere's lift, for 1010 hPa and 10 °C (Meeus, Astronomical Algorithms, ch. 16)
 */
export function skyAt(place: Place, atMs: number, refraction = true): Sky {
  const time = MakeTime(new Date(atMs));
  const observer = observerAt(place);
  const turned = Rotation_EQJ_HOR(time, observer);
  const stand = (vector: Vector) => {
    const { lat, lon } = HorizonFromVector(RotateVector(turned, vector), refraction ? 'normal' : '');
    return { azimuthDeg: lon, altitudeDeg: lat };
  };
  const wanderer = (kind: SkyBody['kind'], { body, diameterKm }: { body: Body; diameterKm: number }): SkyBody => {
    const { vec, dist } = Equator(body, time, observer, false, true);
    return {
      kind,
      name: body,
      designation: '',
      ...stand(vec),
      magnitude: Illumination(body, time).mag,
      temperatureK: SUN_K,
      diameterArcsec: (diameterKm / (dist * KM_PER_AU)) * ARCSEC_PER_RAD,
    };
  };
  const earth = BaryState(Body.Earth, time);
  return {
    atMs,
    sun: wanderer('sun', SUN),
    moon: wanderer('moon', MOON),
    planets: PLANETS.map((planet) => wanderer('planet', planet)),
    stars: CATALOGUE.map((star) => ({
      kind: 'star',
      name: star.name,
      designation: star.designation,
      ...stand(starVector(star, time, earth)),
      magnitude: star.magnitude,
      temperatureK: star.temperatureK,
      diameterArcsec: 0,
    })),
  };
}

type Direction = Pick<SkyBody, 'azimuthDeg' | 'altitudeDeg'>;

/** Angle between two directions, degrees. */
export function separationDeg(a: Direction, b: Direction): number {
  return AngleBetween(unit(a), unit(b));
}

function unit({ azimuthDeg, altitudeDeg }: Direction): Vector {
  const [azimuth, altitude] = [azimuthDeg * DEG, altitudeDeg * DEG];
  return new Vector(
    Math.cos(altitude) * Math.cos(azimuth),
    -Math.cos(altitude) * Math.sin(azimuth),
    Math.sin(altitude),
    MakeTime(0),
  );
}

/** Thickness of air passed, in units of that at the zenith (Kasten & Young 1989); null below the horizon. */
export function airmass(altitudeDeg: number): number | null {
  if (altitudeDeg < 0) return null;
  return 1 / (Math.sin(altitudeDeg * DEG) + 0.50572 * (altitudeDeg + 6.07995) ** -1.6364);
}
