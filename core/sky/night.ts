/** The night that is on, or the coming one: twilights, Sun, Moon. */
import {
  type AstroTime,
  Body,
  Illumination,
  MoonPhase,
  SearchAltitude,
  SearchHourAngle,
  SearchRiseSet,
} from 'astronomy-engine';
import type { Place } from './place.ts';
import { observerAt } from './positions.ts';

/** Unix time, ms; null where it does not happen that night. */
type Instant = number | null;

export interface Night {
  /** From one noon (the Sun's highest) to the next. */
  fromNoonMs: number;
  toNoonMs: number;
  sunsetMs: Instant;
  sunriseMs: Instant;
  /** The Sun's centre 6°, 12°, 18° below the horizon, evening and morning. */
  civil: { duskMs: Instant; dawnMs: Instant };
  nautical: { duskMs: Instant; dawnMs: Instant };
  astronomical: { duskMs: Instant; dawnMs: Instant };
  /** First rise and first set from noon to noon. */
  moonriseMs: Instant;
  moonsetMs: Instant;
}

const DAY_MS = 86_400_000;

const instant = (time: AstroTime | null): Instant => time?.date.getTime() ?? null;

/**
 * Rise and set: upper limb, level horizon, 34′ of refraction, as almanacs have it. Once the Sun is up, the
 * night meant is the coming one.
 */
export function nightAround(place: Place, atMs: number): Night {
  const observer = observerAt(place);
  const noonBefore = (ms: number) => SearchHourAngle(Body.Sun, observer, 0, new Date(ms), -1).time.date.getTime();
  const noonAfter = (ms: number) => SearchHourAngle(Body.Sun, observer, 0, new Date(ms), 1).time.date.getTime();
  const risesAfter = (ms: number) => instant(SearchRiseSet(Body.Sun, observer, 1, new Date(ms), 1));

  let fromNoonMs = noonBefore(atMs);
  const risen = risesAfter(fromNoonMs);
  if (risen !== null && risen < atMs) fromNoonMs = noonAfter(atMs);
  const toNoonMs = noonAfter(fromNoonMs + DAY_MS / 2);

  const noon = new Date(fromNoonMs);
  const days = (toNoonMs - fromNoonMs) / DAY_MS;
  const crosses = (altitudeDeg: number) => ({
    duskMs: instant(SearchAltitude(Body.Sun, observer, -1, noon, days, altitudeDeg)),
    dawnMs: instant(SearchAltitude(Body.Sun, observer, 1, noon, days, altitudeDeg)),
  });
  return {
    fromNoonMs,
    toNoonMs,
    sunsetMs: instant(SearchRiseSet(Body.Sun, observer, -1, noon, days)),
    sunriseMs: instant(SearchRiseSet(Body.Sun, observer, 1, noon, days)),
    civil: crosses(-6),
    nautical: crosses(-12),
    astronomical: crosses(-18),
    moonriseMs: instant(SearchRiseSet(Body.Moon, observer, 1, noon, days)),
    moonsetMs: instant(SearchRiseSet(Body.Moon, observer, -1, noon, days)),
  };
}

export interface MoonLight {
  /** 0 new, 90 first quarter, 180 full, 270 last quarter. */
  phaseDeg: number;
  /** Lit part of its disc, 0 to 1. */
  litPart: number;
  /** Sun–Moon–Earth, degrees. */
  phaseAngleDeg: number;
}

export function moonAt(atMs: number): MoonLight {
  const time = new Date(atMs);
  const { phase_fraction, phase_angle } = Illumination(Body.Moon, time);
  return { phaseDeg: MoonPhase(time), litPart: phase_fraction, phaseAngleDeg: phase_angle };
}
