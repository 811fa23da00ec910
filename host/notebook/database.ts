import { DatabaseSync } from 'node:sqlite';
import { NotebookError } from '../../core/notebook/entry.ts';

/** Marks the file as ours: "NgtR" as a big-endian integer, SQLite's application id. */
const APPLICATION_ID = 0x4e677452;
export const SCHEMA_VERSION = 2;

/** The model in core says what an entry holds; the table adds what is searched and sorted by. */
const VERSION_1 = `
  CREATE TABLE entries (
    id TEXT PRIMARY KEY,
    timeUtc TEXT NOT NULL,
    entry TEXT NOT NULL CHECK (json_valid(entry))
  ) STRICT;
  CREATE INDEX entriesByTime ON entries (timeUtc);
  PRAGMA application_id = ${APPLICATION_ID};
`;

/** Deletions are remembered. An older program would not heed them, hence the new version. */
const FROM_1_TO_2 = `
  CREATE TABLE deletions (
    id TEXT PRIMARY KEY,
    deletedUtc TEXT NOT NULL
  ) STRICT;
`;

/** What brings a file of version n, counted from 0 (empty), to version n + 1. */
const STEPS = [VERSION_1, FROM_1_TO_2];

/** The file is ours but cannot be used: damaged, or of a newer version. */
export class UnusableFile extends NotebookError {
  override name = 'UnusableFile';
  readonly why: 'damaged' | 'newer';
  constructor(why: 'damaged' | 'newer', message: string) {
    super(message);
    this.why = why;
  }
}

export const numberFrom = (database: DatabaseSync, query: string): number =>
  Number(Object.values(database.prepare(query).get() ?? {})[0]);

const isNew = (database: DatabaseSync): boolean =>
  numberFrom(database, 'SELECT count(*) AS n FROM sqlite_schema') === 0 &&
  numberFrom(database, 'PRAGMA user_version') === 0;

/**
 * Opens the file to be written to, or makes it, and brings it to the present version.
 * @param backup called before an older version is changed
 * @throws UnusableFile or NotebookError; the file is then as it was
 */
export function openDatabase(path: string, backup: (database: DatabaseSync) => void): DatabaseSync {
  // Writers of other processes are waited for this long.
  const database = new DatabaseSync(path, { timeout: 5000 });
  try {
    // Only reads until the file is known to be ours and whole.
    if (!isNew(database)) {
      check(database, path);
      if (numberFrom(database, 'PRAGMA user_version') < SCHEMA_VERSION) backup(database);
    }
    database.exec('PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;');
    // Two processes may find the file new, or old, at the same time: the second one then finds it done.
    transaction(database, () => {
      const version = numberFrom(database, 'PRAGMA user_version');
      for (const step of STEPS.slice(version)) database.exec(step);
      if (version < SCHEMA_VERSION) database.exec(`PRAGMA user_version = ${SCHEMA_VERSION}`);
    });
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}

/** Opens a sound notebook of this or an older version to be read only. @throws as openDatabase */
export function openReadOnly(path: string): DatabaseSync {
  const database = new DatabaseSync(path, { readOnly: true });
  try {
    check(database, path);
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}

/** A notebook in memory, with nothing in it. */
export function emptyDatabase(): DatabaseSync {
  const database = new DatabaseSync(':memory:');
  for (const step of STEPS) database.exec(step);
  return database;
}

function check(database: DatabaseSync, path: string): void {
  if (numberFrom(database, 'PRAGMA application_id') !== APPLICATION_ID)
    throw new NotebookError(`${path} is not a Nightring notebook; it was left as it is. Choose another file.`);
  if (numberFrom(database, 'PRAGMA user_version') > SCHEMA_VERSION)
    throw new UnusableFile('newer', `${path} was written by a newer Nightring; update this one to open it.`);
  const [damage] = Object.values(database.prepare('PRAGMA quick_check(1)').get() ?? {});
  if (damage !== 'ok') throw damaged(path);
}

export function transaction<Result>(database: DatabaseSync, work: () => Result): Result {
  database.exec('BEGIN IMMEDIATE');
  try {
    const result = work();
    database.exec('COMMIT');
    return result;
  } catch (error) {
    if (database.isTransaction) database.exec('ROLLBACK');
    throw error;
  }
}

const damaged = (path: string) => new UnusableFile('damaged', `The notebook ${path} is damaged; it was left as it is.`);

type SystemError = Error & { errcode?: number; code?: string };

/** Turns errors of SQLite and of the file system into one line that says what to do. */
export function explaining<Result>(path: string, work: () => Result): Result {
  try {
    return work();
  } catch (error) {
    throw error instanceof NotebookError ? error : reasonFor(error as SystemError, path);
  }
}

/** By SQLite's primary result code (sqlite.org/rescode.html), the low byte of the extended one. */
function reasonFor(cause: SystemError, path: string): NotebookError {
  const why = cause.errcode === undefined ? cause.code : cause.message.split('\n')[0];
  const failed = (message: string) => new NotebookError(message, { cause });
  switch (cause.errcode === undefined ? null : cause.errcode & 0xff) {
    case 5: // SQLITE_BUSY
    case 6: // SQLITE_LOCKED
      return failed(`The notebook ${path} is in use by another program; close that and try again.`);
    case 11: // SQLITE_CORRUPT
    case 26: // SQLITE_NOTADB
      return damaged(path);
    case 13: // SQLITE_FULL
      return failed(`The disk is full: nothing was written to ${path}. Make room and try again.`);
    case 8: // SQLITE_READONLY
    case 14: // SQLITE_CANTOPEN
      return failed(`The notebook ${path} cannot be opened for writing; check the folder's permissions.`);
    default:
      return failed(`The notebook ${path} cannot be used (${why}); check the folder and the disk.`);
  }
}
