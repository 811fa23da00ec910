import { randomUUID } from 'node:crypto';
import { copyFileSync, existsSync, renameSync } from 'node:fs';
import { dirname } from 'node:path';
import type { DatabaseSync } from 'node:sqlite';
import { type Deletion, type Entry, type EntryDraft, makeEntry, NotebookError } from '../../core/notebook/entry.ts';
import { type Book, type MergeResult, mergeBooks } from '../../core/notebook/merge.ts';
import { makeFolder } from '../datafolder.ts';
import { asidePath, backupsOf, isBackupDue, newBackupPath } from './backups.ts';
import {
  emptyDatabase,
  explaining,
  numberFrom,
  openDatabase,
  openReadOnly,
  transaction,
  UnusableFile,
} from './database.ts';

/**
 * The notebook: one SQLite file. What `add`, `change`, `remove` and `merge` have answered is on the disk
 * (write-ahead log, flushed at each commit). Several processes may use the same file at once.
 * Every method throws NotebookError, one line, when the file cannot be read or written.
 */
export class Notebook {
  readonly path: string;
  #database: DatabaseSync;
  /** The file cannot be used: what is shown in its place, null for nothing. */
  #instead: { backup: string | null; problem: string; mayRestore: boolean } | null = null;
  #written = false;

  /**
   * Opens the file, or makes it with its folders. A backup is made before it is brought to a newer version.
   * A file that is damaged or of a newer version is left as it is.
   * @param how 'refuse' such a file; 'show-backup' shows its newest sound backup instead (without one, nothing), to
   *   be read only, see `problem`; 'only-read' opens an existing file without changing it
   * @throws NotebookError also when it is another program's file, in use, or its folder cannot be used
   */
  constructor(path: string, how: 'refuse' | 'show-backup' | 'only-read' = 'refuse') {
    this.path = path;
    try {
      this.#database = how === 'only-read' ? explaining(path, () => openReadOnly(path)) : this.#open();
    } catch (error) {
      if (how !== 'show-backup' || !(error instanceof UnusableFile)) throw error;
      const backup = soundBackup(path);
      this.#database = backup?.database ?? emptyDatabase();
      this.#instead = { backup: backup?.path ?? null, ...describe(error, backup) };
    }
  }

  /** One line when the file cannot be used and something else is shown, to be read only; null when all is well. */
  get problem(): string | null {
    return this.#instead?.problem ?? null;
  }

  /** Whether `restore` can help. */
  get mayRestore(): boolean {
    return this.#instead?.mayRestore ?? false;
  }

  /**
   * Writes one entry down; once this returns it is on the disk.
   * @returns the entry as stored; a draft whose id is known already adds nothing
   * @throws NotebookError naming the field that is wrong
   */
  add(draft: EntryDraft): Entry {
    const entry = makeEntry(draft, { id: randomUUID(), timeUtc: new Date().toISOString() });
    return this.#write((database) => {
      const known = find(database, entry.id);
      if (!known) put(database, entry);
      return known ?? entry;
    });
  }

  /**
   * Puts an entry in the place of the one with its id, also of one that was taken out.
   * @throws NotebookError naming the field that is wrong
   */
  change(id: string, draft: EntryDraft): Entry {
    const { timeUtc, ...entry } = makeEntry({ ...draft, id }, { id, timeUtc: new Date().toISOString() });
    return this.#write((database) => {
      const changed = { ...entry, timeUtc, editedUtc: after(stampOf(database, entry.id)) };
      put(database, changed);
      return changed;
    });
  }

  /** Takes an entry out and remembers that. @returns it, null when there is none */
  remove(id: string): Entry | null {
    return this.#write((database) => {
      const entry = find(database, id);
      if (entry) takeOut(database, { id: entry.id, deletedUtc: after(entry.editedUtc) });
      return entry;
    });
  }

  /** All entries, newest first. */
  list(): Entry[] {
    return explaining(this.path, () => listed(this.#database));
  }

  /** Entries, and what was taken out. */
  book(): Book {
    return explaining(this.path, () => bookIn(this.#database));
  }

  /** Takes over another notebook's entries and deletions, all or none; see mergeBooks. */
  merge(other: Book): MergeResult {
    return this.#write((database) => {
      const own = bookIn(database);
      const { entries, deletions, result } = mergeBooks(own, other);
      // Records of ours that stay are the very same objects.
      const kept = new Set<Entry | Deletion>([...own.entries, ...own.deletions]);
      for (const entry of entries) if (!kept.has(entry)) put(database, entry);
      for (const deletion of deletions) if (!kept.has(deletion)) takeOut(database, deletion);
      return result;
    });
  }

  /** Writes a backup now. @returns its path */
  backup(): string {
    return explaining(this.path, () => backUp(this.#database, this.path));
  }

  /**
   * Goes on with what is shown: a damaged file is put aside, and the backup, or a new notebook, takes its place.
   * @returns where the old file is now, null when nothing was damaged
   * @throws NotebookError when the file is of a newer version, or the folder cannot be written
   */
  restore(): string | null {
    const instead = this.#instead;
    if (!instead) return null;
    if (!instead.mayRestore) throw new NotebookError(instead.problem);
    return explaining(this.path, () => {
      const aside = asidePath(this.path);
      const beside = `${this.path}.new`;
      if (instead.backup) copyFileSync(instead.backup, beside);
      // The write-ahead log belongs to the damaged file.
      for (const ending of ['', '-wal', '-shm'])
        if (existsSync(this.path + ending)) renameSync(this.path + ending, aside + ending);
      if (instead.backup) renameSync(beside, this.path);
      this.#database.close();
      this.#database = this.#open();
      this.#instead = null;
      return aside;
    });
  }

  /** What was written this time gets a backup. */
  close(): void {
    if (this.#written) this.#tryBackup(this.#database);
    this.#database.close();
  }

  #open(): DatabaseSync {
    return explaining(this.path, () => {
      makeFolder(dirname(this.path));
      const database = openDatabase(this.path, (old) => backUp(old, this.path));
      if (isBackupDue(this.path, [this.path, `${this.path}-wal`])) this.#tryBackup(database);
      return database;
    });
  }

  /** A backup that cannot be written must not keep the notebook from being used. */
  #tryBackup(database: DatabaseSync): void {
    try {
      if (numberFrom(database, 'SELECT count(*) AS n FROM entries') > 0) backUp(database, this.path);
    } catch {}
  }

  #write<Result>(work: (database: DatabaseSync) => Result): Result {
    if (this.#instead) throw new NotebookError(this.#instead.problem);
    const result = explaining(this.path, () => transaction(this.#database, () => work(this.#database)));
    this.#written = true;
    return result;
  }
}

/** Whether the bytes are those of an SQLite file (sqlite.org/fileformat2.html, §1.3). */
export const isNotebookFile = (bytes: Uint8Array): boolean =>
  Buffer.from(bytes.subarray(0, 16)).toString('latin1') === 'SQLite format 3\0';

const read = (row: Record<string, unknown>): Entry => {
  const entry = JSON.parse(row.entry as string);
  // Written by version 1, which had no such fields.
  return { approach: null, editedUtc: entry.timeUtc, ...entry };
};

function find(database: DatabaseSync, id: string): Entry | null {
  const row = database.prepare('SELECT entry FROM entries WHERE id = ?').get(id.toLowerCase());
  return row ? read(row) : null;
}

function listed(database: DatabaseSync): Entry[] {
  return database.prepare('SELECT entry FROM entries ORDER BY timeUtc DESC, rowid DESC').all().map(read);
}

function bookIn(database: DatabaseSync): Book {
  const remembers = numberFrom(database, "SELECT count(*) AS n FROM sqlite_schema WHERE name = 'deletions'") > 0;
  const deletions = remembers ? database.prepare('SELECT id, deletedUtc FROM deletions').all() : [];
  return { entries: listed(database), deletions: deletions.map((row) => ({ ...row }) as Deletion) };
}

function put(database: DatabaseSync, entry: Entry): void {
  database
    .prepare('INSERT INTO entries VALUES (?, ?, ?) ON CONFLICT (id) DO UPDATE SET timeUtc = ?2, entry = ?3')
    .run(entry.id, entry.timeUtc, JSON.stringify(entry));
  database.prepare('DELETE FROM deletions WHERE id = ?').run(entry.id);
}

function takeOut(database: DatabaseSync, { id, deletedUtc }: Deletion): void {
  database.prepare('DELETE FROM entries WHERE id = ?').run(id);
  database
    .prepare('INSERT INTO deletions VALUES (?, ?) ON CONFLICT (id) DO UPDATE SET deletedUtc = ?2')
    .run(id, deletedUtc);
}

/** When the record of this id was last changed, null when there is none. */
function stampOf(database: DatabaseSync, id: string): string | null {
  const deletion = database.prepare('SELECT deletedUtc FROM deletions WHERE id = ?').get(id);
  return find(database, id)?.editedUtc ?? (deletion?.deletedUtc as string | undefined) ?? null;
}

/** Now, but always after `stampUtc`: a clock that was set back must not make a change the older one. */
function after(stampUtc: string | null): string {
  const stampMs = stampUtc === null ? 0 : Date.parse(stampUtc);
  return new Date(Math.max(Date.now(), stampMs + 1)).toISOString();
}

function backUp(database: DatabaseSync, path: string): string {
  const backup = newBackupPath(path);
  // Whole and consistent, whatever other processes write meanwhile.
  database.prepare('VACUUM INTO ?').run(backup);
  return backup;
}

interface Backup {
  path: string;
  timeUtc: string;
  database: DatabaseSync;
}

/** The newest backup that can be read. */
function soundBackup(path: string): Backup | null {
  for (const backup of backupsOf(path)) {
    try {
      return { ...backup, database: explaining(path, () => openReadOnly(backup.path)) };
    } catch {}
  }
  return null;
}

function describe(error: UnusableFile, backup: Backup | null): { problem: string; mayRestore: boolean } {
  const shown = backup
    ? `Its backup of ${backup.timeUtc.slice(0, 16).replace('T', ' ')} UTC is shown, to be read only`
    : 'There is no backup of it, so nothing is shown';
  const next = {
    damaged: backup ? 'Go on with the backup, or move the file away.' : 'Start a new one, or move the file away.',
    newer: 'Update Nightring to write in it.',
  }[error.why];
  return { problem: `${error.message} ${shown}. ${next}`, mayRestore: error.why === 'damaged' };
}
