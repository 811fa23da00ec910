import type { Deletion, Entry } from './entry.ts';

/** All that a notebook knows: what stands in it, and what was taken out. */
export interface Book {
  entries: Entry[];
  deletions: Deletion[];
}

/** What a merge changed in the first notebook. */
export interface MergeResult {
  added: number;
  /** Newer than what stood here. */
  changed: number;
  removed: number;
  /** Known already. */
  skipped: number;
}

type Record = Entry | Deletion;

const stampOf = (record: Record): string => ('deletedUtc' in record ? record.deletedUtc : record.editedUtc);

/** Of two records of one id the later one counts; at the same time a fixed order decides, the same on every machine. */
function isNewer(a: Record, b: Record): boolean {
  const [stampA, stampB] = [stampOf(a), stampOf(b)];
  return stampA === stampB ? orderOf(a) > orderOf(b) : stampA > stampB;
}

/** A deletion comes last ("~" after "{"); an entry as its text, whatever the order of its fields. */
function orderOf(record: Record): string {
  return 'deletedUtc' in record ? '~' : JSON.stringify(Object.entries(record).toSorted(([a], [b]) => (a < b ? -1 : 1)));
}

/**
 * Two notebooks as one: per id the newest entry or deletion. The order of merging does not matter, and
 * merging again changes nothing.
 */
export function mergeBooks(own: Book, other: Book): Book & { result: MergeResult } {
  const records = new Map<string, Record>();
  for (const record of [...own.entries, ...own.deletions]) take(records, record);
  const result: MergeResult = { added: 0, changed: 0, removed: 0, skipped: 0 };
  for (const record of [...other.entries, ...other.deletions]) {
    const known = records.get(record.id);
    const isEntry = 'editedUtc' in record;
    if (!take(records, record)) result.skipped++;
    else if (isEntry) result[known && 'editedUtc' in known ? 'changed' : 'added']++;
    else if (known) result.removed++;
  }
  const all = [...records.values()];
  return {
    entries: all.filter((record) => 'editedUtc' in record),
    deletions: all.filter((record) => 'deletedUtc' in record),
    result,
  };
}

/** Whether the record is news. */
function take(records: Map<string, Record>, record: Record): boolean {
  const known = records.get(record.id);
  if (known && !isNewer(record, known)) return false;
  records.set(record.id, record);
  return true;
}
