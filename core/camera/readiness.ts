/**
 * The camera's readiness for focusing on a star, from what its body reports. What is not reported is
 * never guessed: it is to be checked by hand. What counts as ready is common practice, no source.
 */
import type { ConfigValue, ConfigWrite } from './config.ts';
import { magnifier } from './magnify.ts';
import type { Role, RoleValues } from './roles.ts';

export type CheckRole = Exclude<Role, 'isoAuto' | 'magnifyArea' | 'driveFocus' | 'lensName' | 'focalMm'>;

export const CHECKS: readonly CheckRole[] = [
  'focusMode',
  'stabilisation',
  'exposureMode',
  'iso',
  'shutter',
  'aperture',
  'magnify',
  'battery',
  'card',
  'clock',
];

export interface Check {
  role: CheckRole;
  /** 'by-hand': the body does not tell. */
  state: 'fine' | 'change' | 'by-hand';
  /** What the body reports, fit to be shown; null when it does not. */
  value: string | null;
  /** Sets it right; null where only a hand can. */
  writes: ConfigWrite[] | null;
}

/** Charge below which the battery is to be changed before a cold night, %. */
export const LEAST_BATTERY_PERCENT = 40;
/** The camera's clock may be off by so much, s. */
export const CLOCK_TOLERANCE_S = 60;
/** Proposed where the body chooses by itself. */
const USUAL_ISO = 1600;
const USUAL_SHUTTER_S = 2;

const MANUAL_FOCUS = /^(manual|mf( .*)?|preset mf)$/i;
const MANUAL_EXPOSURE = /^(m|manual|bulb)$/i;
const OFF = /^(off|0|disabled?)$/i;

/**
 * Looks at every point of the list.
 * @param nowMs true time, for the camera's clock
 * @param fNumber aperture that the photographer means to use; null: any will do
 */
export function readiness(
  config: readonly ConfigValue[],
  roles: RoleValues,
  nowMs: number,
  fNumber: number | null,
): Check[] {
  const checks: Record<CheckRole, Omit<Check, 'role'> | null> = {
    focusMode: oneOf(roles.focusMode, MANUAL_FOCUS),
    stabilisation: oneOf(roles.stabilisation, OFF),
    exposureMode: oneOf(roles.exposureMode, MANUAL_EXPOSURE),
    iso: isoCheck(roles),
    shutter: numberCheck(roles.shutter, secondsOf, USUAL_SHUTTER_S),
    aperture: apertureCheck(roles.aperture, fNumber),
    magnify: magnifyCheck(config, roles),
    battery: batteryCheck(roles.battery),
    card: cardCheck(roles.card),
    clock: clockCheck(roles.clock, nowMs),
  };
  return CHECKS.map((role) => ({ role, ...(checks[role] ?? { state: 'by-hand', value: null, writes: null }) }));
}

export interface LensReport {
  lensName: string | null;
  focalMm: number | null;
  fNumber: number | null;
}

/** What the body says of its lens; null where it says nothing. */
export function lensReport({ lensName, focalMm, aperture }: RoleValues): LensReport {
  const name = lensName?.value.trim() ?? '';
  return {
    // Some drivers give a mere number for a lens that they have no name for.
    lensName: /\p{L}/u.test(name) && !/^(unknown|none)/i.test(name) ? name : null,
    focalMm: positive(numberOf(focalMm?.value)),
    fNumber: positive(fNumberOf(aperture?.value)),
  };
}

/** Exposure time in seconds: "1/125", "0.0333s", "30"; null for bulb and the like. */
export function secondsOf(text: string | undefined): number | null {
  const [, over, under] =
    /^(\d+(?:\.\d+)?)\s*(?:\/\s*(\d+(?:\.\d+)?))?\s*(?:s|"|sec.*)?$/i.exec(text?.trim() ?? '') ?? [];
  return over === undefined ? null : positive(Number(over) / Number(under ?? 1));
}

/** "f/2.8", "F2.8", "2.8". */
export function fNumberOf(text: string | undefined): number | null {
  return numberOf(text?.trim().replace(/^f\/?/i, ''));
}

type Finding = Omit<Check, 'role'>;

const fine = (value: string): Finding => ({ state: 'fine', value, writes: null });
const change = (value: string, writes: ConfigWrite[] | null): Finding => ({ state: 'change', value, writes });

/** A choice or toggle that ought to have a certain value. */
function oneOf(config: ConfigValue | undefined, wanted: RegExp): Finding | null {
  if (!config || config.value === '') return null;
  const { name, value, type, readOnly, choices = [] } = config;
  const shown = type === 'toggle' ? (value === '0' ? 'Off' : 'On') : value;
  if (wanted.test(value)) return fine(shown);
  const right = type === 'toggle' ? '0' : choices.find((choice) => wanted.test(choice));
  return change(shown, readOnly || right === undefined ? null : [{ name, value: right }]);
}

function isoCheck({ iso, isoAuto }: RoleValues): Finding | null {
  const auto = oneOf(isoAuto, OFF);
  if (auto?.state === 'change') return { ...auto, value: `Auto${iso ? ` (${iso.value})` : ''}` };
  return numberCheck(iso, numberOf, USUAL_ISO);
}

/** Any number will do; a word means that the body chooses by itself, and the nearest usual value is offered. */
function numberCheck(
  config: ConfigValue | undefined,
  parse: (text: string | undefined) => number | null,
  usual: number,
): Finding | null {
  if (!config || config.value === '') return null;
  const { name, value, readOnly } = config;
  if (parse(value) !== null) return fine(value);
  const right = nearest(config, parse, usual);
  return change(value, readOnly || right === null ? null : [{ name, value: right }]);
}

function apertureCheck(config: ConfigValue | undefined, wanted: number | null): Finding | null {
  if (!config || config.value === '') return null;
  const now = fNumberOf(config.value);
  if (now === null) return null;
  if (wanted === null || Math.abs(now / wanted - 1) < 0.03) return fine(config.value);
  const right = nearest(config, fNumberOf, wanted);
  const reaches = right !== null && Math.abs(fNumberOf(right)! / wanted - 1) < 0.03;
  return change(config.value, config.readOnly || !reaches ? null : [{ name: config.name, value: right }]);
}

function magnifyCheck(config: readonly ConfigValue[], roles: RoleValues): Finding | null {
  const lens = magnifier(roles, config);
  if (lens?.level === null || lens?.level === undefined) return null;
  const last = lens.levels.length - 1;
  const value = lens.levels[lens.level];
  return lens.level === last ? fine(value) : change(value, lens.writes(last, null, null));
}

function batteryCheck(config: ConfigValue | undefined): Finding | null {
  if (!config) return null;
  const { value } = config;
  if (/^low/i.test(value)) return change(value, null);
  const percent = numberOf(value.replace(/%$/, ''));
  if (percent === null || percent < 0 || percent > 100) return null;
  return percent < LEAST_BATTERY_PERCENT ? change(`${percent} %`, null) : fine(`${percent} %`);
}

/** How many more pictures fit; where only is told where they go, whether a card is in is to be looked at. */
function cardCheck(config: ConfigValue | undefined): Finding | null {
  if (!config || config.value === '') return null;
  const { name, value, choices = [], readOnly } = config;
  const shots = numberOf(value);
  if (shots !== null) return shots >= 1 ? fine(value) : change(value, null);
  const card = /card/i;
  if (card.test(value)) return { state: 'by-hand', value, writes: null };
  const right = choices.find((choice) => card.test(choice));
  return right === undefined ? null : change(value, readOnly ? null : [{ name, value: right }]);
}

function clockCheck(config: ConfigValue | undefined, nowMs: number): Finding | null {
  const seconds = numberOf(config?.value);
  if (!config || seconds === null) return null;
  const aheadS = Math.round(seconds - nowMs / 1000);
  const value = `${aheadS < 0 ? '−' : '+'}${Math.abs(aheadS)} s`;
  if (Math.abs(aheadS) <= CLOCK_TOLERANCE_S) return fine(value);
  return change(value, config.readOnly ? null : [{ name: config.name, value: String(Math.round(nowMs / 1000)) }]);
}

/** The choice nearest to a value by ratio, or the value itself where any is taken; null where there is none. */
function nearest(
  { type, choices, range }: ConfigValue,
  parse: (text: string | undefined) => number | null,
  value: number,
): string | null {
  if (type === 'range') return range && value >= range.min && value <= range.max ? String(value) : null;
  const off = (text: string) => Math.abs(Math.log(parse(text)! / value));
  const [best] = (choices ?? []).filter((text) => (parse(text) ?? 0) > 0).toSorted((a, b) => off(a) - off(b));
  return best ?? null;
}

function numberOf(text: string | undefined): number | null {
  const [number] = /^-?\d+(\.\d+)?(?=$| ?mm$)/.exec(text?.trim() ?? '') ?? [];
  return number === undefined ? null : Number(number);
}

function positive(number: number | null): number | null {
  return number !== null && number > 0 && Number.isFinite(number) ? number : null;
}
