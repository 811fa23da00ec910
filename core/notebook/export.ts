import { z } from 'zod';
import { draftSchema, type Entry, firstIssue, NotebookError } from './entry.ts';

/** Version of the JSON export; raised when an older program could not read it rightly. */
export const EXPORT_VERSION = 1;
const FORMAT = 'nightring-notebook';

/** Entries as a JSON document that `fromJson` reads back whole. */
export function toJson(entries: readonly Entry[]): string {
  return `${JSON.stringify({ format: FORMAT, version: EXPORT_VERSION, entries }, null, 2)}\n`;
}

const documentSchema = z.strictObject({
  format: z.literal(FORMAT),
  version: z.literal(EXPORT_VERSION),
  entries: z.array(
    draftSchema.refine((entry): entry is Entry => Boolean(entry.id && entry.timeUtc), 'id or timeUtc is missing'),
  ),
});

/**
 * Reads a JSON export.
 * @throws NotebookError with one line when it is not one, is of a newer version, or an entry is wrong
 */
export function fromJson(text: string): Entry[] {
  let document: unknown;
  try {
    document = JSON.parse(text);
  } catch {
    throw new NotebookError('Nothing was imported: the file is not JSON. Choose a notebook exported as JSON.');
  }
  const head = z.object({ format: z.literal(FORMAT), version: z.number() }).safeParse(document);
  if (!head.success)
    throw new NotebookError('Nothing was imported: the file is not an exported notebook. Choose one exported as JSON.');
  if (head.data.version > EXPORT_VERSION)
    throw new NotebookError('Nothing was imported: the file comes from a newer Nightring. Update this one first.');
  const result = documentSchema.safeParse(document);
  if (!result.success) throw new NotebookError(`Nothing was imported: ${firstIssue(result.error)}. Correct the file.`);
  return result.data.entries;
}

/** Columns of the CSV export, in order. */
const COLUMNS: Record<string, (entry: Entry) => string | number | null> = {
  timeUtc: (entry) => entry.timeUtc,
  target: (entry) => entry.target,
  lens: (entry) => entry.lens,
  focalMm: (entry) => entry.focalMm,
  ringPosition: (entry) => entry.ringPosition,
  ringUnit: (entry) => entry.ringUnit,
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
  mask: (entry) => entry.settings.mask?.name ?? '',
  id: (entry) => entry.id,
};

/** Entries as CSV with a header line (RFC 4180), numbers unrounded, safe to open in a spreadsheet. */
export function toCsv(entries: readonly Entry[]): string {
  const rows = entries.map((entry) => Object.values(COLUMNS).map((column) => column(entry)));
  return csvLines([Object.keys(COLUMNS), ...rows]);
}

/** Records as RFC 4180 text: CRLF after each, fields quoted where they must be. null is an empty field. */
export function csvLines(records: readonly (string | number | null)[][]): string {
  return records.map((record) => `${record.map(csvField).join(',')}\r\n`).join('');
}

function csvField(field: string | number | null): string {
  if (typeof field !== 'string') return String(field ?? '');
  // A spreadsheet would run text that starts like a formula; an apostrophe makes it plain text (OWASP, "CSV Injection").
  const text = /^[=+\-@\t\r\n＝＋－＠]/.test(field) ? `'${field}` : field;
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}
