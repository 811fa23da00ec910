/** Magnifying live view as the dialects of camera bodies offer it. */
import type { ConfigValue, ConfigWrite } from './config.ts';
import { lastPart, MAGNIFIERS, type RoleValues } from './roles.ts';

export interface Point {
  x: number;
  y: number;
}

export interface Magnifier {
  /** From the whole field to the largest that shows more, in order; at least two. */
  levels: readonly string[];
  /** Which level the body reports, null when it does not say. */
  level: number | null;
  /** Which level live view of a certain magnification shows, null when that cannot be told. */
  levelAt(magnification: number): number | null;
  /**
   * What to write for a level.
   * @param star where, as parts 0…1 of the whole field from its upper left corner; null: where the body has it
   * @param sensor size in sensor pixels, null when not known
   */
  writes(level: number, star: Point | null, sensor: Point | null): ConfigWrite[];
  /** Moves the magnified part by one of the body's own steps; absent where it goes by position. */
  nudge?(direction: 'up' | 'down' | 'left' | 'right'): ConfigWrite[];
}

/** The whole field in the words of drivers, or a number of 1 or less. */
const WHOLE = /^(entire|whole|full|fit|off)|^[01](\.0)?(x|×|$)/i;
/** Levels of a body that takes a number and reports none (common practice, no source). */
const TEXT_LEVELS = ['1', '5', '10'];
/** Space of positions written behind a level (camlibs/ptp2/config.c). */
const TOUCH_SPACE: Point = { x: 639, y: 479 };

/** How the body magnifies; null when it does not, or in a form that is not known. */
export function magnifier({ magnify, magnifyArea }: RoleValues, config: readonly ConfigValue[]): Magnifier | null {
  if (!magnify || magnify.readOnly) return null;
  if (magnify.type === 'toggle') return byToggles(magnify, config);
  const { name, value } = magnify;
  const area = magnifyArea && !magnifyArea.readOnly ? magnifyArea : undefined;
  // Where the level carries its position with it ("4,320,240").
  const carried = magnify.type === 'choice' && /^[^,]+,\d+,\d+$/.test(value);
  const levels = magnify.type === 'choice' ? levelsOf(magnify.choices ?? []) : TEXT_LEVELS;
  if (levels.length < 2) return null;
  const found = (index: number) => (index < 0 ? null : index);
  return {
    levels,
    level: found(levels.indexOf(carried ? value.split(',')[0] : value)),
    levelAt: (magnification) => found(levels.findIndex((text) => magnificationOf(name, text) === magnification)),
    writes(level, star, sensor) {
      const chosen = levels[level];
      if (carried && star && level > 0) return [{ name, value: `${chosen},${textOf(star, TOUCH_SPACE, ',')}` }];
      const set = { name, value: chosen };
      if (!area || !star || !sensor || level === 0) return [set];
      // A centre is where the body will magnify; a corner is that of the part that it shows magnified.
      if (lastPart(area.name) === 'changeafarea') return [{ name: area.name, value: textOf(star, sensor, 'x') }, set];
      return [set, { name: area.name, value: cornerText(star, sensor, Number(chosen)) }];
    },
  };
}

/**
 * Live-view magnification against the whole field, as a driver's value tells it: null when it does not say, undefined
 * when the value is about something else. Percentages are of sensor to picture pixels, so only the whole field is a
 * known magnification there.
 */
export function magnificationOf(name: string, value: string): number | null | undefined {
  if (!MAGNIFIERS.includes(lastPart(name))) return undefined;
  const [level] = value.split(',');
  if (/^(entire|off)/i.test(level)) return 1;
  const ratio = /^\d+(\.\d+)?$/.test(level) ? Number(level) : 0;
  return ratio >= 1 ? ratio : null;
}

/** The whole field, then the rest by size; above 100 % a picture pixel shows nothing new. */
function levelsOf(choices: readonly string[]): string[] {
  const ratio = (text: string) => Number.parseFloat(text);
  const isMore = (text: string) => ratio(text) > 0 && !(text.endsWith('%') && ratio(text) > 100);
  const shown = choices.filter((text) => !WHOLE.test(text) && isMore(text));
  const whole = choices.find((text) => WHOLE.test(text));
  return whole === undefined ? [] : [whole, ...shown.toSorted((a, b) => ratio(a) - ratio(b))];
}

/** A key pressed and let go: enter (each press magnifies more), leave, move. */
function byToggles({ name }: ConfigValue, config: readonly ConfigValue[]): Magnifier | null {
  const press = (key: string): ConfigWrite[] => ['1', '0'].map((value) => ({ name: key, value }));
  const exit = config.find((value) => lastPart(value.name) === 'focusmagnifierexit');
  if (!exit) return null;
  const key = (direction: string) => config.find((value) => lastPart(value.name) === `remotekey${direction}`)?.name;
  const canMove = ['up', 'down', 'left', 'right'].every(key);
  return {
    levels: ['off', 'on'],
    level: null,
    levelAt: () => null,
    writes: (level) => press(level === 0 ? exit.name : name),
    ...(canMove && { nudge: (direction) => press(key(direction)!) }),
  };
}

/** Upper left corner of the part shown, inside the field. */
function cornerText(star: Point, sensor: Point, magnification: number): string {
  const part = 1 / magnification;
  const corner = (centre: number) => Math.min(1 - part, Math.max(0, centre - part / 2));
  return textOf({ x: corner(star.x), y: corner(star.y) }, sensor, ',');
}

function textOf({ x, y }: Point, space: Point, between: string): string {
  return `${Math.round(x * space.x)}${between}${Math.round(y * space.y)}`;
}
