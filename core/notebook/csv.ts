import { completed, draftSchema, type Entry, firstIssue, NotebookError } from './entry.ts';

type Cell = string | number | null;
type MaskAsSet = NonNullable<Entry['settings']['mask']>;

const mask =
  (field: keyof MaskAsSet) =>
  ({ settings }: Entry): Cell =>
    settings.mask?.[field] ?? null;

/** Columns of the CSV, in order. */
const COLUMNS: Record<string, (entry: Entry) => Cell> = {
  timeUtc: (entry) => entry.timeUtc,
  target: (entry) => entry.target,
  lens: (entry) => entry.lens,
  focalMm: (entry) => entry.focalMm,
  ringPosition: (entry) => entry.ringPosition,
  ringUnit: (entry) => entry.ringUnit,
  approach: (entry) => entry.approach,
  temperatureC: (entry) => entry.temperatureC,
  offsetPx: (entry) => entry.offsetPx,
  offsetSigmaPx: (entry) => entry.offsetSigmaPx,
  defocusUm: (entry) => entry.defocusUm,
  defocusSigmaUm: (entry) => entry.defocusSigmaUm,
  verdict: (entry) => entry.verdict,
  measuredOn: (entry) => entry.measuredOn,
  note: (entry) => entry.note,
  camera: (entry) => entry.settings.camera,
  fNumber: (entry) => entry.settings.fNumber,
  pixelUm: (entry) => entry.settings.pixelUm,
  mask: mask('name'),
  maskLayout: mask('layout'),
  maskOrientation: mask('orientation'),
  maskHandedness: mask('handedness'),
  maskPitchUm: mask('pitchUm'),
  maskOuterAngleDeg: mask('outerAngleDeg'),
  maskRibD: mask('ribD'),
  maskDuty: mask('duty'),
  editedUtc: (entry) => entry.editedUtc,
  id: (entry) => entry.id,
};

/** Columns that hold numbers. */
const NUMBERS = /(Px|Um|Mm|Deg|D|C|Position|Number|Orientation|Handedness|Duty)$/;

/** Entries as CSV with a header line (RFC 4180), numbers unrounded, safe to open in a spreadsheet. */
export function toCsv(entries: readonly Entry[]): string {
  const rows = entries.map((entry) => Object.values(COLUMNS).map((column) => column(entry)));
  return csvLines([Object.keys(COLUMNS), ...rows]);
}

/** Records as RFC 4180 text: CRLF after each, fields quoted where they must be. null is an empty field. */
export function csvLines(records: readonly (string | number | null)[][]): string {
  return records.map((record) => `${record.map(csvField).join(',')}\r\n`).join('');
}

function csvField(field: Cell): string {
  if (typeof field !== 'string') return String(field ?? '');
  // A spreadsheet would run text that starts like a formula; an apostrophe makes it plain text (OWASP, "CSV Injection").
  const text = /^'*[=+\-@\t\r\n＝＋－＠]/.test(field) ? `'${field}` : field;
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

/**
 * Entries from the records of a CSV file, each by the names in its header line. Columns may be missing
 * or stand in any order. A record without an id gets one made of its own text, so that the same file
 * taken over twice adds nothing the second time.
 * @throws NotebookError naming line and column of what is wrong
 */
export function entriesOfRecords(records: readonly Record<string, string>[]): Entry[] {
  return records.map((record, index) => {
    const refuse = (what: string) =>
      new NotebookError(`Nothing was imported: record ${index + 1}: ${what}. Correct the file.`);
    const unknown = Object.keys(record).find((name) => !(name in COLUMNS));
    if (unknown !== undefined)
      throw refuse(`there is no column "${unknown}"; the names are those of a CSV saved by Nightring`);
    const cell = (name: string) => plain(record[name] ?? '');
    const value = (name: string): Cell => (NUMBERS.test(name) ? numberOf(cell(name)) : cell(name));
    const given = (names: string[]) => names.filter((name) => cell(name) !== '').map((name) => [name, value(name)]);
    const { id, timeUtc } = {
      id: cell('id') || idOf(JSON.stringify(Object.entries(record))),
      timeUtc: cell('timeUtc'),
    };
    if (!timeUtc) throw refuse('timeUtc is missing, such as 2031-10-14T21:05:00Z');
    const maskFields = Object.keys(COLUMNS).filter((name) => name.startsWith('mask'));
    const settings = Object.fromEntries(given(['camera', 'fNumber', 'pixelUm']));
    const top = Object.keys(COLUMNS).filter((name) => !maskFields.includes(name) && !SETTINGS.has(name));
    const result = draftSchema.safeParse({
      ...Object.fromEntries(given(top)),
      id,
      settings: { ...settings, mask: cell('maskLayout') ? maskOf(value) : null },
    });
    if (!result.success) throw refuse(firstIssue(result.error));
    return completed(result.data, { id, timeUtc });
  });
}

const SETTINGS = new Set(['camera', 'fNumber', 'pixelUm']);

/** Unset numbers of a mask are null, as it has them. */
function maskOf(value: (name: string) => Cell): object {
  return {
    name: value('mask'),
    layout: value('maskLayout'),
    orientation: value('maskOrientation'),
    handedness: value('maskHandedness'),
    pitchUm: value('maskPitchUm'),
    outerAngleDeg: value('maskOuterAngleDeg'),
    ribD: value('maskRibD') ?? 0,
    duty: value('maskDuty') ?? 0.5,
  };
}

/** NaN, which no entry takes, for what is no number. */
function numberOf(text: string): number | null {
  return text === '' ? null : Number(text);
}

/** Takes off the apostrophe that csvField put before. */
function plain(text: string): string {
  return /^''*[=+\-@\t\r\n＝＋－＠]/.test(text) ? text.slice(1) : text;
}

/** A UUID (version 8, RFC 9562) out of a text: four FNV-1a hashes from different starts. */
function idOf(text: string): string {
  const words = [0x811c9dc5, 0x1b873593, 0x85ebca6b, 0xc2b2ae35].map((start) => {
    let hash = start;
    for (let i = 0; i < text.length; i++) hash = Math.imul(hash ^ text.charCodeAt(i), 0x01000193);
    return (hash >>> 0).toString(16).padStart(8, '0');
  });
  const hex = words.join('');
  const parts = [hex.slice(0, 8), hex.slice(8, 12), `8${hex.slice(13, 16)}`, `8${hex.slice(17, 20)}`, hex.slice(20)];
  return parts.join('-');
}
