import { randomUUID } from 'node:crypto';
import { dirname } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { type Entry, type EntryDraft, makeEntry, NotebookError } from '../../core/notebook/entry.ts';
import { fromJson, toCsv, toJson } from '../../core/notebook/export.ts';
import { makeFolder } from '../datafolder.ts';

/** Marks the file as ours: "NgtR" as a big-endian integer, SQLite's application id. */
const APPLICATION_ID = 0x4e677452;
const SCHEMA_VERSION = 1;

/** The model in core says what an entry holds; the table adds what is searched and sorted by. */
const SCHEMA = `
  CREATE TABLE entries (
    id TEXT PRIMARY KEY,
    timeUtc TEXT NOT NULL,
    entry TEXT NOT NULL CHECK (json_valid(entry))
  ) STRICT;
  CREATE INDEX entriesByTime ON entries (timeUtc);
  PRAGMA application_id = ${APPLICATION_ID};
  PRAGMA user_version = ${SCHEMA_VERSION};
`;

/**
 * The notebook: one SQLite file that only grows. An entry handed back by `add` is on the disk
 * (write-ahead log, flushed at each commit). Several processes may use the same file at once.
 * Every method throws NotebookError, one line, when the file cannot be read or written.
 */
export class Notebook {
  readonly path: string;
  readonly #database: DatabaseSync;

  /**
   * Opens the file, or makes it with its folders.
   * @throws NotebookError when it is not a notebook, is damaged, or is of a newer version; it is then left as it is
   */
  constructor(path: string) {
    this.path = path;
    this.#database = this.#explain(() => {
      makeFolder(dirname(path));
      // Writers of other processes are waited for this long.
      return new DatabaseSync(path, { timeout: 5000 });
    });
    try {
      this.#explain(() => this.#prepare());
    } catch (error) {
      this.#database.close();
      throw error;
    }
  }

  /**
   * Writes one entry down; once this returns it is on the disk.
   * @returns the entry as stored; a draft whose id is known already adds nothing
   * @throws NotebookError naming the field that is wrong
   */
  add(draft: EntryDraft): Entry {
    const entry = makeEntry(draft, { id: randomUUID(), timeUtc: new Date().toISOString() });
    return this.#explain(() => {
      this.#insert(entry);
      const row = this.#database.prepare('SELECT entry FROM entries WHERE id = ?').get(entry.id);
      return JSON.parse(row!.entry as string);
    });
  }

  /** All entries, newest first. */
  list(): Entry[] {
    return this.#explain(() =>
      this.#database
        .prepare('SELECT entry FROM entries ORDER BY timeUtc DESC, rowid DESC')
        .all()
        .map((row) => JSON.parse(row.entry as string)),
    );
  }

  /** See toCsv. */
  exportCsv(): string {
    return toCsv(this.list());
  }

  /** See toJson. */
  exportJson(): string {
    return toJson(this.list());
  }

  /**
   * Adds the entries of a JSON export, all or none; those whose id is known already are skipped.
   * @throws NotebookError when the text is not such an export; nothing is changed then
   */
  importJson(text: string): { added: number; skipped: number } {
    const entries = fromJson(text);
    return this.#explain(() =>
      this.#transaction(() => {
        const added = entries.filter((entry) => this.#insert(entry)).length;
        return { added, skipped: entries.length - added };
      }),
    );
  }

  close(): void {
    this.#database.close();
  }

  /** Whether the entry was new. */
  #insert(entry: Entry): boolean {
    const insert = this.#database.prepare('INSERT INTO entries VALUES (?, ?, ?) ON CONFLICT (id) DO NOTHING');
    return insert.run(entry.id, entry.timeUtc, JSON.stringify(entry)).changes === 1;
  }

  #prepare(): void {
    // Only reads until the file is known to be ours and whole.
    if (!this.#isNew()) this.#check();
    this.#database.exec('PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;');
    // Two processes may find the file new at the same time: the second one then finds it made.
    this.#transaction(() => this.#isNew() && this.#database.exec(SCHEMA));
  }

  #isNew(): boolean {
    return this.#number('SELECT count(*) AS n FROM sqlite_schema') === 0 && this.#number('PRAGMA user_version') === 0;
  }

  #check(): void {
    if (this.#number('PRAGMA application_id') !== APPLICATION_ID)
      throw new NotebookError(`${this.path} is not a Nightring notebook; it was left as it is. Choose another file.`);
    if (this.#number('PRAGMA user_version') > SCHEMA_VERSION)
      throw new NotebookError(`${this.path} was written by a newer Nightring; update this one to open it.`);
    const [damage] = Object.values(this.#database.prepare('PRAGMA quick_check(1)').get() ?? {});
    if (damage !== 'ok') throw new NotebookError(damaged(this.path));
  }

  #number(query: string): number {
    return Number(Object.values(this.#database.prepare(query).get() ?? {})[0]);
  }

  #transaction<Result>(work: () => Result): Result {
    this.#database.exec('BEGIN IMMEDIATE');
    try {
      const result = work();
      this.#database.exec('COMMIT');
      return result;
    } catch (error) {
      if (this.#database.isTransaction) this.#database.exec('ROLLBACK');
      throw error;
    }
  }

  /** Turns errors of SQLite and of the file system into one line that says what to do. */
  #explain<Result>(work: () => Result): Result {
    try {
      return work();
    } catch (error) {
      if (error instanceof NotebookError) throw error;
      throw new NotebookError(reasonFor(error as SystemError, this.path), { cause: error });
    }
  }
}

type SystemError = Error & { errcode?: number; code?: string };

const damaged = (path: string) =>
  `The notebook ${path} is damaged; it was left as it is. Keep a copy, move it away, and import your last JSON export.`;

/** By SQLite's primary result code (sqlite.org/rescode.html), the low byte of the extended one. */
function reasonFor(error: SystemError, path: string): string {
  const why = error.errcode === undefined ? error.code : error.message.split('\n')[0];
  switch (error.errcode === undefined ? null : error.errcode & 0xff) {
    case 5: // SQLITE_BUSY
    case 6: // SQLITE_LOCKED
      return `The notebook ${path} is in use by another program; close that and try again.`;
    case 11: // SQLITE_CORRUPT
    case 26: // SQLITE_NOTADB
      return damaged(path);
    case 13: // SQLITE_FULL
      return `The disk is full: nothing was written to ${path}. Make room and try again.`;
    case 8: // SQLITE_READONLY
    case 14: // SQLITE_CANTOPEN
      return `The notebook ${path} cannot be opened for writing; check the folder's permissions.`;
    default:
      return `The notebook ${path} cannot be used (${why}); check the folder and the disk.`;
  }
}
