import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type Command, InvalidArgumentError } from 'commander';
import { firstIssue } from '../../core/notebook/entry.ts';
import { liveViewOf } from '../../core/sky/brightness.ts';
import { daylightAt } from '../../core/sky/daylight.ts';
import { moonAt, type Night, nightAround } from '../../core/sky/night.ts';
import { type Place, parseDirection, placeSchema } from '../../core/sky/place.ts';
import { skyAt } from '../../core/sky/positions.ts';
import { rankTargets, type Target, type Window, windowsOf } from '../../core/sky/targets.ts';
import {
  daylightWords,
  directionWords,
  liveViewWords,
  moonWords,
  remarksText,
  VERDICT_WORDS,
  zoneWords,
} from '../../core/sky/words.ts';
import type { Settings } from '../api.ts';
import { dataFolder, SETTINGS_FILE } from '../datafolder.ts';
import { readGps } from '../decode/gps.ts';
import { SettingsFile } from '../server/settings.ts';
import { knownOptics, type OpticsOptions, parseNumber, parsePositive, withOpticsOptions } from './options.ts';
import { CommandError, columns, EXIT, remark, writeLine } from './output.ts';
import { strings } from './strings.ts';

const texts = strings.targets;

/** So many lines unless all are asked for. */
const FIRST = 12;

interface TargetOptions extends OpticsOptions {
  latitude?: number;
  longitude?: number;
  elevationM?: number;
  placeFrom?: string;
  horizonDeg?: number;
  towards?: number;
  time?: number;
  exposureS?: number;
  all?: boolean;
  json?: boolean;
  data?: string;
}

export function addTargets(program: Command): void {
  withOpticsOptions(program.command('targets'))
    .summary(texts.summary)
    .description(texts.summary)
    .option('--latitude <DEG>', texts.latitude, parseNumber)
    .option('--longitude <DEG>', texts.longitude, parseNumber)
    .option('--elevation-m <M>', texts.elevationM, parseNumber)
    .option('--place-from <FILE>', texts.placeFrom)
    .option('--horizon-deg <DEG>', texts.horizonDeg, parseNumber)
    .option('--towards <DIRECTION>', texts.towards, parseTowards)
    .option('--time <TIME>', texts.time, parseTime)
    .option('--exposure-s <S>', texts.exposureS, parsePositive)
    .option('--all', texts.all)
    .option('--json', texts.json)
    .option('--data <DIR>', strings.options.data)
    .addHelpText('after', texts.help)
    .action(targets);
}

async function targets(options: TargetOptions): Promise<void> {
  const file = await SettingsFile.open(join(dataFolder(options.data), SETTINGS_FILE));
  if (file.warning) remark(file.warning);
  const settings = file.get();
  const place = await placeOf(options, settings);
  const given = await knownOptics(options);
  const { optics } = settings;
  const live = liveViewOf(
    {
      focalMm: given.focalMm ?? optics.focalMm,
      fNumber: given.fNumber ?? optics.fNumber,
      pixelUm: given.pixelUm ?? optics.pixelUm,
      mask: given.mask ?? settings.mask,
    },
    options.exposureS ?? settings.liveExposureS,
  );
  const atMs = options.time ?? Date.now();
  const night = nightAround(place, atMs);
  const windows = windowsOf(place, night);
  const ranked = rankTargets(place, atMs, live);
  const shown = options.all ? ranked : ranked.filter(({ verdict }) => verdict !== 'down').slice(0, FIRST);
  if (options.json) {
    await writeLine(nightLine(place, atMs, night));
    for (const target of shown) await writeLine(targetLine(target, windows.get(target.body.name) ?? []));
    return;
  }
  const { sun } = skyAt(place, atMs);
  const daylight = daylightWords(daylightAt(sun, place), sun);
  remark(texts.at(place, local(atMs), new Date(atMs).toISOString().slice(0, 16)));
  const zone = zoneWords(place, -new Date(atMs).getTimezoneOffset());
  for (const line of [zone, daylight]) if (line) remark(line);
  remark(texts.night(night, clock));
  remark(texts.moon(moonWords(moonAt(atMs)), clock(night.moonriseMs), clock(night.moonsetMs)));
  remark(live ? liveViewWords(live) : texts.noLens);
  if (shown.length === 0) remark(texts.none);
  const rows = shown.map((target) => row(target, windows.get(target.body.name) ?? []));
  for (const line of columns([texts.columns, ...rows])) await writeLine(line);
}

/** Typed, from a picture, or as set in the program; single values may be typed over. @throws CommandError exit 2 */
async function placeOf(options: TargetOptions, settings: Settings): Promise<Place> {
  const { latitude, longitude, elevationM, horizonDeg, towards, placeFrom } = options;
  if ((latitude === undefined) !== (longitude === undefined)) throw new CommandError(texts.halfPlace, EXIT.usage);
  const typed = latitude === undefined ? null : { latitudeDeg: latitude, longitudeDeg: longitude };
  const base = typed ?? (placeFrom === undefined ? settings.place : await placeIn(placeFrom));
  if (!base) throw new CommandError(texts.noPlace, EXIT.usage);
  const changes = { elevationM, horizonDeg, towardsDeg: towards };
  const given = Object.fromEntries(Object.entries(changes).filter(([, value]) => value !== undefined));
  const result = placeSchema.safeParse({ ...base, ...given });
  if (!result.success) throw new CommandError(texts.badPlace(firstIssue(result.error)), EXIT.usage);
  return result.data;
}

async function placeIn(path: string): Promise<Partial<Place>> {
  const bytes = await readFile(path).catch((error: NodeJS.ErrnoException) => {
    throw new CommandError(strings.cannotRead(path, error.code ?? error.message), EXIT.unreadable);
  });
  const gps = await readGps(bytes);
  if (!gps) throw new CommandError(texts.noGps(path), EXIT.unreadable);
  const { latitudeDeg, longitudeDeg, elevationM } = gps;
  return { latitudeDeg, longitudeDeg, elevationM };
}

function parseTowards(text: string): number {
  const azimuthDeg = parseDirection(text);
  if (azimuthDeg === null) throw new InvalidArgumentError(texts.notDirection);
  return azimuthDeg;
}

/** Without its zone a time means different instants on different machines: it must be named. */
function parseTime(text: string): number {
  const ms = /^\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:?\d\d)$/.test(text) ? Date.parse(text) : Number.NaN;
  if (Number.isNaN(ms)) throw new InvalidArgumentError(texts.notTime);
  return ms;
}

function nightLine(place: Place, atMs: number, night: Night): string {
  const { sun, moon } = skyAt(place, atMs);
  const { civil, nautical, astronomical } = night;
  const twilight = ({ duskMs, dawnMs }: Night['civil']) => ({ duskUtc: iso(duskMs), dawnUtc: iso(dawnMs) });
  return JSON.stringify({
    type: 'night',
    timeUtc: iso(atMs),
    place,
    daylight: daylightAt(sun, place),
    sun: {
      azimuthDeg: sun.azimuthDeg,
      altitudeDeg: sun.altitudeDeg,
      setUtc: iso(night.sunsetMs),
      riseUtc: iso(night.sunriseMs),
    },
    civil: twilight(civil),
    nautical: twilight(nautical),
    astronomical: twilight(astronomical),
    moon: {
      azimuthDeg: moon.azimuthDeg,
      altitudeDeg: moon.altitudeDeg,
      ...moonAt(atMs),
      riseUtc: iso(night.moonriseMs),
      setUtc: iso(night.moonsetMs),
    },
  });
}

function targetLine({ body, ...judged }: Target, windows: Window[]): string {
  const up = windows.map(({ fromMs, untilMs }) => ({ fromUtc: iso(fromMs), untilUtc: iso(untilMs) }));
  return JSON.stringify({ type: 'target', ...body, ...judged, why: remarksText({ body, ...judged }), up });
}

function row(target: Target, windows: Window[]): string[] {
  const { body, airmass, verdict } = target;
  return [
    body.name === body.designation || !body.designation ? body.name : `${body.name} (${body.designation})`,
    directionWords(body),
    body.magnitude.toFixed(1).replace('-', '−'),
    airmass === null ? '' : airmass.toFixed(1),
    windows.map(({ fromMs, untilMs }) => `${clock(fromMs)}–${clock(untilMs)}`).join(' '),
    VERDICT_WORDS[verdict],
    remarksText(target),
  ];
}

const iso = (ms: number | null) => (ms === null ? null : new Date(ms).toISOString());

/** This machine's clock: hours and minutes. */
function clock(ms: number | null): string {
  if (ms === null) return texts.never;
  return new Date(ms).toLocaleTimeString('en-GB', { hour: '2-digit', minute: '2-digit' });
}

function local(ms: number): string {
  return new Date(ms).toLocaleString('en-GB', { dateStyle: 'medium', timeStyle: 'long' });
}
