/** Which star or planet to focus on: ranked for lens, time, place and the pictures to be taken. */
import { type LiveView, skyMagnitude, spotSnr } from './brightness.ts';
import { isNearSun } from './daylight.ts';
import { moonAt, type Night } from './night.ts';
import type { Place } from './place.ts';
import { airmass, type Sky, type SkyBody, separationDeg, skyAt } from './positions.ts';

/** What speaks for or against a target; words are in words.ts. */
export type Remark =
  | 'near-sun'
  | 'below-horizon'
  | 'behind-obstacle'
  | 'bright'
  | 'wait'
  | 'too-faint'
  | 'sky-too-bright'
  | 'brightness-unknown'
  | 'wide-disc'
  | 'near-moon'
  | 'low'
  | 'steep'
  | 'near-pictures'
  | 'far-from-pictures';

/** 'good' and 'usable' can be seen now, 'poor' cannot be measured, 'down' is not to be seen, 'refused' is dangerous. */
export type Verdict = 'good' | 'usable' | 'poor' | 'down' | 'refused';
const VERDICTS: readonly Verdict[] = ['good', 'usable', 'poor', 'down', 'refused'];

export interface Target {
  body: SkyBody;
  /** Null below the horizon. */
  airmass: number | null;
  /** From Moon and Sun, degrees. */
  moonDeg: number;
  sunDeg: number;
  /** From the middle of the pictures to be taken; null when their direction is not known. */
  picturesDeg: number | null;
  /** Of the faintest spots in one live-view frame; null when the lens is not known. */
  snr: number | null;
  /** How long frames must be joined until the spots stand out; null when they never do or nothing is known. */
  waitS: number | null;
  verdict: Verdict;
  /** The most important first. */
  remarks: Remark[];
}

/** Spots are found from this peak signal-to-noise on, and followed over frames down to the lower one. */
const FOUND_SNR = 5;
const FOLLOWED_SNR = 1;
/** No hardship. */
const SHORT_WAIT_S = 2;

/** Nearer to the Moon its glare lies over the picture (common practice, no source), degrees. */
const MOON_GLARE_DEG = 10;
/** Lower than three times the zenith's air stars tremble; higher than this a tripod head hardly points (both common practice). */
const LOW_AIRMASS = 3;
const STEEP_DEG = 75;
/** By day and in civil twilight nothing fainter is seen, whatever the lens (common practice, no source). */
const SEEN_BY_DAY = -2;
/** Middle of a landscape picture's sky above the level, degrees. */
const PICTURE_ALTITUDE_DEG = 30;
/** Pixels over which a planet's disc blurs the spots visibly. */
const WIDE_DISC_PX = 3;

/** All planets and stars, the best target first. @param live null while the lens is not known */
export function rankTargets(place: Place, atMs: number, live: LiveView | null): Target[] {
  const sky = skyAt(place, atMs);
  const { phaseAngleDeg } = moonAt(atMs);
  return [...sky.planets, ...sky.stars]
    .map((body) => judge(body, sky, place, live, phaseAngleDeg))
    .map((target) => ({ target, rank: VERDICTS.indexOf(target.verdict), score: scoreOf(target) }))
    .sort((a, b) => a.rank - b.rank || b.score - a.score)
    .map(({ target }) => target);
}

function judge(body: SkyBody, sky: Sky, place: Place, live: LiveView | null, phaseAngleDeg: number): Target {
  const { sun, moon } = sky;
  const moonDeg = separationDeg(body, moon);
  const picturesDeg =
    place.towardsDeg === null
      ? null
      : separationDeg(body, { azimuthDeg: place.towardsDeg, altitudeDeg: PICTURE_ALTITUDE_DEG });
  const air = airmass(body.altitudeDeg);
  const snr = live && spotSnr(body, live, skyMagnitude(body, sun, moon, phaseAngleDeg));
  const waits = live && snr !== null && snr >= FOLLOWED_SNR;
  const known = {
    body,
    airmass: air,
    moonDeg,
    sunDeg: separationDeg(body, sun),
    picturesDeg,
    snr,
    waitS: waits ? live.exposureS * Math.max(1, (FOUND_SNR / snr) ** 2) : null,
  };
  if (isNearSun(body, sun, place)) return { ...known, verdict: 'refused', remarks: ['near-sun'] };
  if (air === null) return { ...known, verdict: 'down', remarks: ['below-horizon'] };
  if (body.altitudeDeg < place.horizonDeg) return { ...known, verdict: 'down', remarks: ['behind-obstacle'] };

  const remarks: Remark[] = [];
  let verdict: Verdict = 'good';
  if (live === null || snr === null) {
    remarks.push('brightness-unknown');
    if (sun.altitudeDeg > -6 && body.magnitude > SEEN_BY_DAY) {
      remarks.unshift('sky-too-bright');
      verdict = 'poor';
    }
  } else if (snr >= FOUND_SNR) remarks.push('bright');
  else if (snr >= FOLLOWED_SNR) {
    remarks.push('wait');
    if (known.waitS! > SHORT_WAIT_S) verdict = 'usable';
  } else {
    const byNight = spotSnr(body, live, DARK_SKY_MAGNITUDE);
    remarks.push(byNight >= FOLLOWED_SNR ? 'sky-too-bright' : 'too-faint');
    verdict = 'poor';
  }
  const spoils = (remark: Remark) => {
    remarks.push(remark);
    if (verdict === 'good') verdict = 'usable';
  };
  if (moon.altitudeDeg > 0 && moonDeg < MOON_GLARE_DEG) spoils('near-moon');
  if (live && discPx(body, live) > WIDE_DISC_PX) spoils('wide-disc');
  if (air > LOW_AIRMASS) spoils('low');
  if (body.altitudeDeg > STEEP_DEG) spoils('steep');
  if (picturesDeg !== null && picturesDeg < 40) remarks.push('near-pictures');
  if (picturesDeg !== null && picturesDeg > 90) remarks.push('far-from-pictures');
  return { ...known, verdict, remarks };
}

/** Brightness of the sky in the middle of the pictures to be taken, else overhead; V magnitudes per square arc second. */
export function picturesSkyMagnitude({ towardsDeg }: Place, { sun, moon, atMs }: Sky): number {
  const where =
    towardsDeg === null
      ? { azimuthDeg: 0, altitudeDeg: 90 }
      : { azimuthDeg: towardsDeg, altitudeDeg: PICTURE_ALTITUDE_DEG };
  return skyMagnitude(where, sun, moon, moonAt(atMs).phaseAngleDeg);
}

/** Without Moon and twilight. */
const DARK_SKY_MAGNITUDE = 21.6;

function discPx({ diameterArcsec }: SkyBody, { focalMm, pixelUm }: LiveView): number {
  return ((diameterArcsec / 206264.806) * focalMm * 1000) / pixelUm;
}

/**
 * Within one verdict, in doublings of light: more than a little over what is needed is of no use, and costs are
 * air, a way to go from the pictures (the lens sags and is focused where it will be used), Moon, a stiff neck.
 */
function scoreOf({ body, airmass: air, moonDeg, picturesDeg, snr }: Target): number {
  const light = snr === null ? -body.magnitude / 0.75 : Math.log2(Math.min(snr, 8 * FOUND_SNR) + 1e-9);
  return (
    light -
    ((air ?? 40) - 1) / 2 -
    (picturesDeg ?? 0) / 60 -
    Math.max(0, 30 - moonDeg) / 15 -
    (body.altitudeDeg > STEEP_DEG ? 1 : 0)
  );
}

/** When a body stands above the obstacle in the dark. */
export interface Window {
  fromMs: number;
  untilMs: number;
}

const STEP_MS = 600_000;

/** Those stretches of a night, by the body's name: darkness from civil dusk to civil dawn. */
export function windowsOf(place: Place, night: Night): Map<string, Window[]> {
  const windows = new Map<string, Window[]>();
  const dark = darknessOf(place, night);
  if (!dark) return windows;
  const steps = Math.max(1, Math.ceil((dark.untilMs - dark.fromMs) / STEP_MS));
  let before: Map<string, number> | null = null;
  for (let i = 0; i <= steps; i++) {
    const atMs = dark.fromMs + (i / steps) * (dark.untilMs - dark.fromMs);
    const { planets, stars } = skyAt(place, atMs);
    const now = new Map([...planets, ...stars].map(({ name, altitudeDeg }) => [name, altitudeDeg - place.horizonDeg]));
    for (const [name, above] of now) {
      const list = windows.get(name) ?? [];
      const was = before?.get(name) ?? (above >= 0 ? above : -1);
      // The crossing lies between two samples, in proportion.
      const crossedMs = atMs - (above / (above - was)) * ((dark.untilMs - dark.fromMs) / steps);
      if (above >= 0 && was < 0) list.push({ fromMs: crossedMs, untilMs: atMs });
      else if (above >= 0 && before === null) list.push({ fromMs: atMs, untilMs: atMs });
      else if (above >= 0) list.at(-1)!.untilMs = atMs;
      else if (was >= 0 && before !== null) list.at(-1)!.untilMs = crossedMs;
      windows.set(name, list);
    }
    before = now;
  }
  return windows;
}

/** From civil dusk to civil dawn; noon to noon in the polar night; null where it does not get dark. */
export function darknessOf(place: Place, night: Night): Window | null {
  const { duskMs, dawnMs } = night.civil;
  if (duskMs !== null && dawnMs !== null && duskMs < dawnMs) return { fromMs: duskMs, untilMs: dawnMs };
  if (skyAt(place, night.fromNoonMs).sun.altitudeDeg < -6) return { fromMs: night.fromNoonMs, untilMs: night.toNoonMs };
  return null;
}
