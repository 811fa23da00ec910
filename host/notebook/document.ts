/**
 * The data document: notebook, kit and settings as one JSON file, or any part of them.
 * Its schema is `nightring notebook schema`.
 */
import { parse } from 'csv-parse/sync';
import { z } from 'zod';
import { type Kit, kitSchema } from '../../core/kit/kit.ts';
import { entriesOfRecords } from '../../core/notebook/csv.ts';
import { completed, deletionSchema, draftSchema, firstIssue, NotebookError } from '../../core/notebook/entry.ts';
import type { Book } from '../../core/notebook/merge.ts';
import { type Settings, settingsSchema } from '../api.ts';

/** Raised when an older program could not read the document rightly. Version 1 was the notebook alone. */
export const DATA_VERSION = 2;
const FORMAT = 'nightring-data';
const FORMAT_1 = 'nightring-notebook';

/** Parts of a document; what it does not have is left as it is where it is taken over. */
export interface DataParts {
  notebook?: Book;
  kit?: Kit;
  settings?: Settings;
}

const entrySchema = draftSchema.refine((entry) => entry.id && entry.timeUtc, 'id or timeUtc is missing');

const documentSchema = z.strictObject({
  format: z.literal([FORMAT, FORMAT_1]),
  version: z.number().int().min(1).max(DATA_VERSION),
  notebook: z
    .strictObject({ entries: z.array(entrySchema), deletions: z.array(deletionSchema).default([]) })
    .optional(),
  kit: kitSchema.optional(),
  settings: settingsSchema.optional(),
});

/** A document that `readData` reads back whole. */
export function writeData({ notebook, kit, settings }: DataParts): string {
  return `${JSON.stringify({ format: FORMAT, version: DATA_VERSION, notebook, kit, settings }, null, 2)}\n`;
}

/** The document's JSON Schema (draft 2020-12), as what is written has it. */
export function dataJsonSchema(): object {
  return z.toJSONSchema(documentSchema, { io: 'input', unrepresentable: 'any' });
}

/**
 * Reads a data document of this or an earlier version, or the notebook as CSV.
 * @throws NotebookError with one line when it is neither, is of a newer version, or something in it is wrong
 */
export function readData(text: string): DataParts {
  if (!/^\s*[[{"n]/.test(text)) return { notebook: { entries: readCsv(text), deletions: [] } };
  let document: unknown;
  try {
    document = JSON.parse(text);
  } catch {
    if (/^\uFEFF?"?\w+"?,/.test(text)) return { notebook: { entries: readCsv(text), deletions: [] } };
    throw refuse('the file is neither JSON nor CSV. Choose one saved by Nightring');
  }
  const head = z.object({ format: z.literal([FORMAT, FORMAT_1]), version: z.number() }).safeParse(document);
  if (!head.success) throw refuse('the file does not come from Nightring. Choose one that was saved by it');
  if (head.data.version > DATA_VERSION) throw refuse('the file comes from a newer Nightring. Update this one first');
  const result = documentSchema.safeParse(head.data.version === 1 ? fromVersion1(document as object) : document);
  if (!result.success) throw refuse(`${firstIssue(result.error)}. Correct the file`);
  const { notebook, kit, settings } = result.data;
  const fallback = { id: '', timeUtc: '' }; // the schema asks for both
  return {
    notebook: notebook && { ...notebook, entries: notebook.entries.map((entry) => completed(entry, fallback)) },
    kit,
    settings,
  };
}

/** Version 1 held the entries at its top, and knew of no deletions. */
function fromVersion1({ entries, ...rest }: { entries?: unknown }): object {
  return { ...rest, notebook: { entries } };
}

function readCsv(text: string) {
  let records: Record<string, string>[];
  try {
    records = parse(text, { columns: true, bom: true, skip_empty_lines: true });
  } catch (error) {
    // Told as far as it can be read: of a file that is no text it would be bytes.
    const [why] = (error as Error).message.split(/[\n\p{Cc}\uFFFD]/u);
    throw refuse(`the file is neither JSON nor CSV (${why.slice(0, 100).trim()}). Choose one saved by Nightring`);
  }
  if (records.length === 0 && !text.includes('timeUtc'))
    throw refuse('the file holds no entries. Choose one saved by Nightring');
  return entriesOfRecords(records);
}

const refuse = (what: string) => new NotebookError(`Nothing was imported: ${what}.`);
