/**
 * What the program wants of a camera ("roles"), and the one table that says under which configuration
 * names the dialects of camera bodies offer it. A role that a body does not offer is left to the hand.
 *
 * Names are those of libgphoto2's driver for PTP cameras (camlibs/ptp2/config.c, 2.5.30 to 2.5.34), and
 * the simulated camera's own.
 */
import type { ConfigValue } from './config.ts';

export const ROLES = [
  'focusMode',
  'stabilisation',
  'exposureMode',
  'iso',
  'isoAuto',
  'shutter',
  'aperture',
  'magnify',
  'magnifyArea',
  'driveFocus',
  'battery',
  'card',
  'clock',
  'lensName',
  'focalMm',
] as const;
export type Role = (typeof ROLES)[number];

interface RoleEntry {
  /** Exact names (last part of the path), the preferred first. */
  names: readonly string[];
  /** What a label must say for a body whose names are not known; such a guess is shown and never used unasked. */
  words: RegExp;
  /** Types that can serve. */
  types: readonly ConfigValue['type'][];
}

/** Names under which live view is magnified. */
export const MAGNIFIERS: readonly string[] = ['magnification', 'liveviewimagezoomratio', 'eoszoom', 'focusmagnifier'];

const TABLE: Record<Role, RoleEntry> = {
  focusMode: { names: ['focusMode', 'focusmode', 'focusmode2'], words: /focus mode/i, types: ['choice'] },
  stabilisation: {
    names: ['stabilisation', 'imagestabilization'],
    words: /stabili[sz]|vibration|shake reduction/i,
    types: ['choice', 'toggle'],
  },
  exposureMode: {
    names: ['exposureMode', 'expprogram', 'autoexposuremode', 'expprogram2', 'autoexposuremodedial'],
    words: /expos\w* (program|mode)|mode dial/i,
    types: ['choice'],
  },
  iso: { names: ['iso'], words: /\biso\b|sensitivity/i, types: ['choice', 'range', 'text'] },
  isoAuto: { names: ['isoauto', 'autoiso'], words: /auto.?iso|iso.?auto/i, types: ['choice', 'toggle'] },
  shutter: {
    names: ['shutter', 'shutterspeed', 'shutterspeed2'],
    words: /shutter ?speed|exposure time/i,
    types: ['choice', 'text'],
  },
  aperture: {
    names: ['fNumber', 'f-number', 'aperture'],
    words: /f-?number|aperture/i,
    types: ['choice', 'range', 'text'],
  },
  magnify: {
    names: MAGNIFIERS,
    words: /live ?view.*(zoom|magni)|magnifi/i,
    types: ['choice', 'text', 'toggle'],
  },
  magnifyArea: {
    names: ['changeafarea', 'eoszoomposition'],
    words: /(zoom|magni\w*) (position|area)/i,
    types: ['text'],
  },
  driveFocus: {
    names: ['focusMotor', 'manualfocusdrive', 'manualfocus'],
    words: /manual.focus|focus (drive|motor|step)/i,
    types: ['range', 'choice'],
  },
  battery: { names: ['battery', 'batterylevel'], words: /battery/i, types: ['text', 'choice', 'range'] },
  card: {
    names: ['card', 'availableshots', 'capturetarget'],
    words: /shots|capture target|card/i,
    types: ['text', 'choice', 'range'],
  },
  clock: { names: ['clock', 'datetimeutc', 'datetime'], words: /date/i, types: ['date'] },
  lensName: { names: ['lensName', 'lensname'], words: /lens (name|model)/i, types: ['text'] },
  focalMm: { names: ['focalMm', 'focallength'], words: /focal length/i, types: ['range', 'choice', 'text'] },
};

/** Configuration name for each role; null or absent: by hand. */
export type RoleNames = Partial<Record<Role, string | null>>;

/** A mapping that the user has accepted for one body; kept in the settings. */
export interface BodyRoles {
  /** What the body calls itself, '' when it does not say. */
  body: string;
  names: RoleNames;
}

/** The values that serve the roles, of those that the body offers. */
export type RoleValues = Partial<Record<Role, ConfigValue>>;

/** What the body calls itself; '' when it does not say. */
export function bodyOf(config: readonly ConfigValue[]): string {
  return config.find(({ name }) => lastPart(name) === 'cameramodel')?.value ?? '';
}

/**
 * Finds who serves each role: what the user accepted for this body, else what the table knows by name.
 * @param accepted mappings of any bodies; only that of this one counts
 */
export function rolesOf(config: readonly ConfigValue[], accepted: readonly BodyRoles[] = []): RoleValues {
  const names = accepted.find(({ body }) => body === bodyOf(config))?.names ?? {};
  const found: RoleValues = {};
  for (const role of ROLES) {
    const chosen = names[role];
    const value = chosen === undefined ? byTable(role, config) : config.find(({ name }) => name === chosen);
    if (value) found[role] = value;
  }
  return found;
}

export interface Proposal {
  role: Role;
  value: ConfigValue | null;
  /** 'table': known by its name. 'label': guessed from its words, to be looked at. 'none': by hand. */
  from: 'table' | 'label' | 'none';
}

/** A mapping to be tried for a pasted list, role by role. */
export function proposeRoles(config: readonly ConfigValue[]): Proposal[] {
  return ROLES.map((role) => {
    const known = byTable(role, config);
    if (known) return { role, value: known, from: 'table' };
    const guess = candidates(role, config).find(({ label }) => TABLE[role].words.test(label));
    return guess ? { role, value: guess, from: 'label' } : { role, value: null, from: 'none' };
  });
}

/** Values whose type could serve a role, for the user to choose from. */
export function candidates(role: Role, config: readonly ConfigValue[]): ConfigValue[] {
  return config.filter(({ type }) => TABLE[role].types.includes(type));
}

function byTable(role: Role, config: readonly ConfigValue[]): ConfigValue | undefined {
  const { names } = TABLE[role];
  const usable = candidates(role, config);
  // A driver may list one name twice, once for each of two properties; the first that tells something serves.
  const named = names.flatMap((name) => usable.filter((value) => lastPart(value.name) === name));
  return named.find(({ value }) => value !== '') ?? named[0];
}

/**
 * Names that make the camera do something: neither remembered as settings nor set again after a restart. Where live view
 * is magnified is a setting, though it cannot be read back; and so is what magnifies it: as a key it was let go last.
 */
const ACTIONS = new Set([
  ...TABLE.driveFocus.names,
  ...['focusmagnifierexit', 'remotekeyup', 'remotekeydown', 'remotekeyleft', 'remotekeyright'],
  ...['autofocusdrive', 'cancelautofocus', 'autofocus', 'capture', 'bulb', 'opcode', 'viewfinder', 'movie'],
]);

/** Whether writing to it does something once, as a step of the focus motor, rather than setting something. */
export function isAction(name: string): boolean {
  return ACTIONS.has(lastPart(name));
}

export function lastPart(name: string): string {
  return name.slice(name.lastIndexOf('/') + 1);
}
