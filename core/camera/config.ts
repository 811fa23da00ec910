/** A camera's configuration as its driver reports it, and lists of it that a user pastes. */

/** One value of a camera's configuration, as the camera reports it. */
export interface ConfigValue {
  /** Path or short name, unique within the camera. */
  name: string;
  label: string;
  type: 'text' | 'range' | 'toggle' | 'choice' | 'button' | 'date';
  /** Current value as text ('range' as a decimal number, 'date' as seconds since 1970). */
  value: string;
  readOnly: boolean;
  /** For 'choice'. */
  choices?: string[];
  /** For 'range'. */
  range?: { min: number; max: number; step: number };
}

/** One value to be set; several are set in their order. */
export interface ConfigWrite {
  name: string;
  value: string;
}

/** The last parts of paths where they are unique, else the whole paths; what has no slash stays. */
export function shortNames(paths: readonly string[]): string[] {
  const last = paths.map((path) => path.slice(path.lastIndexOf('/') + 1));
  const uses = new Map<string, number>();
  for (const name of last) uses.set(name, (uses.get(name) ?? 0) + 1);
  return paths.map((path, i) => (uses.get(last[i]) === 1 ? last[i] : path));
}

/** Types as libgphoto2's command line prints them. */
const TYPES: Record<string, ConfigValue['type']> = {
  TEXT: 'text',
  RANGE: 'range',
  TOGGLE: 'toggle',
  RADIO: 'choice',
  MENU: 'choice',
  BUTTON: 'button',
  DATE: 'date',
};

/**
 * Reads a pasted list: what libgphoto2's command line prints for `--list-all-config`, or the JSON that
 * `GET /api/camera/config` answers.
 * @throws Error with one line when it is neither
 */
export function parseConfigList(text: string): ConfigValue[] {
  const trimmed = text.trim();
  const values = trimmed.startsWith('[') ? parseJson(trimmed) : parsePrinted(trimmed);
  if (values.length > 0) return values;
  throw new Error('this is no configuration list; paste all that "gphoto2 --list-all-config" prints');
}

function parseJson(text: string): ConfigValue[] {
  let list: unknown;
  try {
    list = JSON.parse(text);
  } catch {
    return [];
  }
  const isValue = (entry: unknown): entry is ConfigValue => {
    const { name, type, value, choices, range } = (entry ?? {}) as Partial<ConfigValue>;
    const known = typeof name === 'string' && typeof value === 'string' && Object.values(TYPES).includes(type!);
    return known && (type !== 'choice' || Array.isArray(choices)) && (type !== 'range' || Number.isFinite(range?.min));
  };
  return Array.isArray(list) && list.every(isValue) ? list : [];
}

/** Blocks of a path, lines of `Key: value`, and END. */
function parsePrinted(text: string): ConfigValue[] {
  const blocks = text.split(/^END\r?$/m).map((block) => block.split(/\r?\n/).filter((line) => line.trim() !== ''));
  const known = blocks.flatMap((lines) => {
    const from = lines.findIndex((line) => /^\/\S+\s*$/.test(line));
    const type = from < 0 ? undefined : TYPES[fieldOf(lines, 'Type')];
    return type ? [{ path: lines[from].trim(), type, lines: lines.slice(from) }] : [];
  });
  const names = shortNames(known.map(({ path }) => path));
  return known.map(({ type, lines }, i) => {
    const number = (key: string) => Number(fieldOf(lines, key));
    const choices = lines.flatMap((line) => /^Choice: \d+ (.*)$/.exec(line)?.[1] ?? []);
    return {
      name: names[i],
      label: fieldOf(lines, 'Label'),
      type,
      value: fieldOf(lines, 'Current'),
      readOnly: fieldOf(lines, 'Readonly') === '1',
      ...(type === 'choice' && { choices }),
      ...(type === 'range' && { range: { min: number('Bottom'), max: number('Top'), step: number('Step') } }),
    };
  });
}

function fieldOf(lines: readonly string[], key: string): string {
  return (
    lines
      .find((line) => line.startsWith(`${key}:`))
      ?.slice(key.length + 1)
      .trim() ?? ''
  );
}
