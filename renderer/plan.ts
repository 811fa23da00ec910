import { useEffect, useMemo, useState } from 'react';
import { type LiveView, liveViewOf } from '../core/sky/brightness.ts';
import { type Daylight, daylightAt } from '../core/sky/daylight.ts';
import { type MoonLight, moonAt, type Night, nightAround } from '../core/sky/night.ts';
import type { Place } from '../core/sky/place.ts';
import { type Sky, type SkyBody, skyAt } from '../core/sky/positions.ts';
import { rankTargets, type Target, type Window, windowsOf } from '../core/sky/targets.ts';
import { usePlace } from './place.ts';
import { useSettings } from './settings.ts';

const MINUTE_MS = 60_000;
const DAY_MS = 86_400_000;

/** This computer's clock, to the minute. */
export function useMinute(): number {
  const [nowMs, setNowMs] = useState(() => minuteOf(Date.now()));
  useEffect(() => {
    const timer = setInterval(() => setNowMs(minuteOf(Date.now())), MINUTE_MS / 6);
    return () => clearInterval(timer);
  }, []);
  return nowMs;
}

const minuteOf = (ms: number) => Math.floor(ms / MINUTE_MS) * MINUTE_MS;

export interface SunNow {
  place: Place;
  sun: SkyBody;
  daylight: Daylight;
  /** Running number of the day, from the Sun's midnight to the next. */
  day: number;
}

/** Where the Sun stands now; null while the place is not known. */
export function useSun(): SunNow | null {
  const place = usePlace();
  const nowMs = useMinute();
  return useMemo(() => {
    if (!place) return null;
    const { sun } = skyAt(place, nowMs);
    const day = Math.floor(nowMs / DAY_MS + place.longitudeDeg / 360);
    return { place, sun, daylight: daylightAt(sun, place), day };
  }, [place, nowMs]);
}

/** The sky over the place at the time looked at. */
export interface Plan {
  place: Place;
  atMs: number;
  night: Night;
  sky: Sky;
  daylight: Daylight;
  moonlight: MoonLight;
  /** Null while the lens is not known. */
  live: LiveView | null;
  /** The best first. */
  targets: Target[];
  /** When each stands above the obstacle in the dark, by name. */
  windows: Map<string, Window[]>;
}

/**
 * Null while the place is not known.
 * @param lookedMs time looked at; null: now, or by day the dusk to come, when the first stars can be used
 */
export function usePlan(lookedMs: number | null, nowMs: number): Plan | null {
  const { optics, mask, liveExposureS } = useSettings().settings;
  const place = usePlace();
  const night = useMemo(() => place && nightAround(place, nowMs), [place, nowMs]);
  // The night stays the same from minute to minute; only a change of it is worth the sum.
  const windows = useMemo(() => place && night && windowsOf(place, night), [place, night?.fromNoonMs]);
  return useMemo(() => {
    if (!place || !night || !windows) return null;
    const atMs = Math.max(nowMs, lookedMs ?? night.nautical.duskMs ?? nowMs);
    const live = liveViewOf({ ...optics, mask }, liveExposureS);
    const sky = skyAt(place, atMs);
    return {
      place,
      atMs,
      night,
      sky,
      daylight: daylightAt(sky.sun, place),
      moonlight: moonAt(atMs),
      live,
      targets: rankTargets(place, atMs, live),
      windows,
    };
  }, [place, optics, mask, liveExposureS, night, windows, nowMs, lookedMs]);
}

/** Whether a target may be offered at all. */
export function isOffered({ verdict }: Target): boolean {
  return verdict === 'good' || verdict === 'usable';
}
