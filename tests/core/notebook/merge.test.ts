/**
 * Merging against the laws of a replicated set with last-writer-wins records (Shapiro et al.,
 * Conflict-free Replicated Data Types, 2011): commutative, associative, idempotent.
 */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { type Entry, makeEntry } from '../../../core/notebook/entry.ts';
import { type Book, mergeBooks } from '../../../core/notebook/merge.ts';

const IDS = [1, 2, 3, 4].map((n) => `b4cfa2f8-5f4b-4d8a-9a3e-1c7f0a4f9d1${n}`);
const at = (minute: number) => new Date(Date.UTC(2031, 9, 14, 21, minute)).toISOString();
const entry = (id: string, minute: number, note = ''): Entry =>
  makeEntry({ note, editedUtc: at(minute) }, { id, timeUtc: at(0) });

/** Notebooks with clashes on purpose: few ids, few times. */
const anyBook = fc
  .uniqueArray(
    fc.record({
      id: fc.constantFrom(...IDS),
      minute: fc.nat(3),
      note: fc.constantFrom('', 'a', 'b'),
      deleted: fc.boolean(),
    }),
    { selector: ({ id }) => id },
  )
  .map(
    (records): Book => ({
      entries: records.filter((r) => !r.deleted).map(({ id, minute, note }) => entry(id, minute, note)),
      deletions: records.filter((r) => r.deleted).map(({ id, minute }) => ({ id, deletedUtc: at(minute) })),
    }),
  );

const sorted = ({ entries, deletions }: Book): Book => ({
  entries: entries.toSorted((a, b) => a.id.localeCompare(b.id)),
  deletions: deletions.toSorted((a, b) => a.id.localeCompare(b.id)),
});
const merged = (a: Book, b: Book) => sorted(mergeBooks(a, b));

describe('two notebooks merged', () => {
  it('the order of merging does not matter', () => {
    fc.assert(
      fc.property(anyBook, anyBook, anyBook, (a, b, c) => {
        expect(merged(a, b)).toEqual(merged(b, a));
        expect(merged(merged(a, b), c)).toEqual(merged(a, merged(b, c)));
      }),
    );
  });

  it('merging again changes nothing, and says so', () => {
    fc.assert(
      fc.property(anyBook, anyBook, (a, b) => {
        const once = merged(a, b);
        const again = mergeBooks(once, b);
        expect(sorted(again)).toEqual(once);
        expect(again.result).toEqual({
          added: 0,
          changed: 0,
          removed: 0,
          skipped: b.entries.length + b.deletions.length,
        });
        const ids = [...once.entries, ...once.deletions].map(({ id }) => id);
        expect(new Set(ids).size).toBe(ids.length);
      }),
    );
  });

  it('the later change counts, on whichever machine it was made', () => {
    const own: Book = { entries: [entry(IDS[0], 1, 'old'), entry(IDS[1], 3, 'ours')], deletions: [] };
    const other: Book = {
      entries: [entry(IDS[0], 2, 'new'), entry(IDS[1], 2, 'theirs'), entry(IDS[2], 1)],
      deletions: [],
    };
    const { entries, result } = mergeBooks(own, other);
    expect(entries.map(({ note }) => note)).toEqual(['new', 'ours', '']);
    expect(result).toEqual({ added: 1, changed: 1, removed: 0, skipped: 1 });
  });

  it('what was deleted on one machine goes from the other, unless it was changed there later', () => {
    const own: Book = { entries: [entry(IDS[0], 1), entry(IDS[1], 3, 'changed since')], deletions: [] };
    const other: Book = { entries: [], deletions: [IDS[0], IDS[1]].map((id) => ({ id, deletedUtc: at(2) })) };
    const { entries, deletions, result } = mergeBooks(own, other);
    expect(entries.map(({ note }) => note)).toEqual(['changed since']);
    expect(deletions).toEqual([{ id: IDS[0], deletedUtc: at(2) }]);
    expect(result).toEqual({ added: 0, changed: 0, removed: 1, skipped: 1 });
  });
});
