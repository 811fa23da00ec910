import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { text } from 'node:stream/consumers';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { makeEntry, NotebookError } from '../../../core/notebook/entry.ts';
import { backupsOf } from '../../../host/notebook/backups.ts';
import { Notebook } from '../../../host/notebook/notebook.ts';

let folder: string;
let path: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'nightring-notebook-'));
  path = join(folder, 'data', 'notebook.sqlite');
});
afterEach(() => rmSync(folder, { recursive: true }));

function withNotebook<Result>(
  use: (notebook: Notebook) => Result,
  at = path,
  how?: ConstructorParameters<typeof Notebook>[1],
): Result {
  const notebook = new Notebook(at, how);
  try {
    return use(notebook);
  } finally {
    notebook.close();
  }
}

const backups = () => backupsOf(path).map((backup) => backup.path);

function versionOf(file: string): unknown {
  const database = new DatabaseSync(file, { readOnly: true });
  const { user_version } = database.prepare('PRAGMA user_version').get()!;
  database.close();
  return user_version;
}

const startWriter = (target: string, count?: number) =>
  spawn(process.execPath, [join(import.meta.dirname, 'writer.ts'), path, target, ...(count ? [String(count)] : [])], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });

describe('notebook', () => {
  it('keeps entries over a restart, newest first', () => {
    const [old, young] = withNotebook((notebook) => [
      notebook.add({ timeUtc: '2031-10-14T21:00:00Z', ringPosition: 3.2, focalMm: 14, temperatureC: 6.5 }),
      notebook.add({ timeUtc: '2031-10-14T22:00:00Z', ringPosition: 3.4, focalMm: 14, temperatureC: 2 }),
    ]);
    expect(withNotebook((notebook) => notebook.list())).toEqual([young, old]);
  });

  it('stores a draft sent twice once', () => {
    withNotebook((notebook) => {
      const first = notebook.add({ id: crypto.randomUUID(), note: 'first' });
      expect(notebook.add({ id: first.id, note: 'again' })).toEqual(first);
      expect(notebook.list()).toEqual([first]);
    });
  });

  it('refuses a wrong entry and goes on', () => {
    withNotebook((notebook) => {
      expect(() => notebook.add({ focalMm: -1 })).toThrow(/focalMm/);
      notebook.add({ focalMm: 24 });
      expect(notebook.list()).toHaveLength(1);
    });
  });

  it('writes through a log that is flushed at each commit', () => {
    withNotebook((notebook) => notebook.add({}));
    const database = new DatabaseSync(path);
    expect(database.prepare('PRAGMA journal_mode').get()).toEqual({ journal_mode: 'wal' });
    expect(database.prepare('PRAGMA user_version').get()).toEqual({ user_version: 2 });
    database.close();
  });

  it('changes an entry, takes it out, and puts it back', () => {
    withNotebook((notebook) => {
      const first = notebook.add({ timeUtc: '2031-10-14T21:00:00Z', ringPosition: 6.4, note: 'first' });
      const changed = notebook.change(first.id, { ...first, ringPosition: 4.6 });
      expect(changed).toEqual({ ...first, ringPosition: 4.6, editedUtc: changed.editedUtc });
      expect(changed.editedUtc > first.editedUtc).toBe(true);
      expect(notebook.list()).toEqual([changed]);

      expect(notebook.remove(first.id)).toEqual(changed);
      expect(notebook.list()).toEqual([]);
      expect(notebook.book().deletions).toEqual([{ id: first.id, deletedUtc: expect.any(String) }]);
      expect(notebook.remove(first.id)).toBe(null);

      const back = notebook.change(first.id, changed);
      expect(notebook.list()).toEqual([{ ...changed, editedUtc: back.editedUtc }]);
      expect(notebook.book().deletions).toEqual([]);
      expect(() => notebook.change(first.id, { focalMm: -1 })).toThrow(/focalMm/);
    });
  });

  it('a change counts as the later one even where the clock was set back', () => {
    withNotebook((notebook) => {
      const ahead = notebook.add({ timeUtc: '2031-10-14T21:00:00Z', editedUtc: '2099-01-01T00:00:00Z' });
      expect(notebook.change(ahead.id, ahead).editedUtc).toBe('2099-01-01T00:00:00.001Z');
      notebook.remove(ahead.id);
      expect(notebook.book().deletions[0].deletedUtc).toBe('2099-01-01T00:00:00.002Z');
    });
  });
});

describe('two laptops', () => {
  it('merge without doubles: new, changed and deleted entries go both ways', () => {
    const elsewhere = join(folder, 'other.sqlite');
    const [kept, edited, gone] = withNotebook((notebook) =>
      ['kept', 'edited', 'gone'].map((note) => notebook.add({ timeUtc: '2031-10-14T21:00:00Z', note })),
    );
    withNotebook((other) => {
      expect(other.merge(withNotebook((notebook) => notebook.book())).added).toBe(3);
      other.change(edited.id, { ...edited, note: 'edited there' });
      other.add({ note: 'new there' });
      expect(withNotebook((notebook) => notebook.remove(gone.id))).toEqual(gone);
      withNotebook((notebook) => {
        expect(notebook.merge(other.book())).toEqual({ added: 1, changed: 1, removed: 0, skipped: 2 });
        expect(other.merge(notebook.book())).toEqual({ added: 0, changed: 0, removed: 1, skipped: 3 });
        const notes = notebook.list().map((entry) => entry.note);
        expect(notes.toSorted()).toEqual([kept.note, 'edited there', 'new there'].toSorted());
        expect(new Set(other.list())).toEqual(new Set(notebook.list()));
        expect(notebook.merge(other.book())).toEqual({ added: 0, changed: 0, removed: 0, skipped: 4 });
      });
    }, elsewhere);
  });
});

describe('a notebook of version 1', () => {
  /** As the first published version made it. */
  const makeVersion1 = () => {
    mkdirSync(join(folder, 'data'));
    const database = new DatabaseSync(path);
    database.exec(`
      CREATE TABLE entries (id TEXT PRIMARY KEY, timeUtc TEXT NOT NULL, entry TEXT NOT NULL CHECK (json_valid(entry))) STRICT;
      CREATE INDEX entriesByTime ON entries (timeUtc);
      PRAGMA application_id = 0x4e677452;
      PRAGMA user_version = 1;`);
    const { approach, editedUtc, ...entry } = makeEntry(
      { ringPosition: 6.4, note: 'old' },
      { id: 'b4cfa2f8-5f4b-4d8a-9a3e-1c7f0a4f9d11', timeUtc: '2031-10-14T21:00:00.000Z' },
    );
    database.prepare('INSERT INTO entries VALUES (?, ?, ?)').run(entry.id, entry.timeUtc, JSON.stringify(entry));
    database.close();
    return { ...entry, approach, editedUtc };
  };

  it('is backed up, brought to this version, and reads as before', () => {
    const entry = makeVersion1();
    const before = readFileSync(path);
    expect(withNotebook((notebook) => notebook.list())).toEqual([entry]);
    const [backup, ...more] = backups().filter((name) => versionOf(name) === 1);
    expect(more).toEqual([]);
    expect(withNotebook((notebook) => notebook.list(), backup, 'only-read')).toEqual([entry]);
    expect(versionOf(path)).toBe(2);
    expect(before.equals(readFileSync(path))).toBe(false);
    // Once only.
    withNotebook(() => {});
    expect(backups().filter((name) => versionOf(name) === 1)).toHaveLength(1);
  });

  it('is left as it is when it cannot be backed up', () => {
    makeVersion1();
    writeFileSync(join(folder, 'data', 'backups'), 'a file where the folder should be');
    const before = readFileSync(path);
    expect(() => new Notebook(path)).toThrow(NotebookError);
    expect(readFileSync(path).equals(before)).toBe(true);
  });
});

describe('backups', () => {
  it('are made at the end of an evening that was written to, and only then; the newest twenty stay', () => {
    withNotebook(() => {});
    expect(backups()).toEqual([]);
    const entry = withNotebook((notebook) => notebook.add({ note: 'kept' }));
    expect(backups()).toHaveLength(1);
    withNotebook((notebook) => notebook.list());
    expect(backups()).toHaveLength(1);
    expect(withNotebook((notebook) => notebook.list(), backups()[0], 'only-read')).toEqual([entry]);
    withNotebook((notebook) => {
      const made = Array.from({ length: 25 }, () => notebook.backup());
      expect(backups()).toHaveLength(20);
      expect(backups()).toContain(made.at(-1));
    });
  });
});

describe('several processes', () => {
  it('lose nothing that was confirmed when killed while writing', async () => {
    const confirmed: string[] = [];
    for (const killAfter of [1, 7, 40]) {
      const writer = startWriter('killed');
      let seen = '';
      writer.stdout.on('data', (chunk) => {
        seen += chunk;
        if (seen.split('\n').length > killAfter) writer.kill('SIGKILL');
      });
      const [, signal] = await once(writer, 'close');
      expect(signal).toBe('SIGKILL');
      // A last line without its end was not fully reported.
      const ids = seen.split('\n').slice(0, -1);
      expect(ids.length).toBeGreaterThanOrEqual(killAfter);
      confirmed.push(...ids);
      const stored = new Set(withNotebook((notebook) => notebook.list()).map((entry) => entry.id));
      expect(confirmed.filter((id) => !stored.has(id))).toEqual([]);
    }
  });

  it('write to one new notebook at once', async () => {
    const writers = ['first', 'second'].map((target) => startWriter(target, 60));
    const outputs = await Promise.all(writers.map((writer) => text(writer.stdout)));
    const ids = outputs.flatMap((output) => output.trimEnd().split('\n'));
    expect(new Set(ids).size).toBe(120);
    expect(new Set(withNotebook((notebook) => notebook.list()).map((entry) => entry.id))).toEqual(new Set(ids));
  });

  it('say so when another program holds the file', () => {
    withNotebook((notebook) => {
      notebook.add({});
      const other = new DatabaseSync(path);
      other.exec('BEGIN IMMEDIATE');
      expect(() => notebook.add({})).toThrow(/in use by another program/);
      other.exec('ROLLBACK');
      other.close();
      notebook.add({});
      expect(notebook.list()).toHaveLength(2);
    });
  });
});

describe('a file that is no sound notebook', () => {
  const written = (change: (database: DatabaseSync) => void) => {
    withNotebook((notebook) => {
      for (let i = 0; i < 200; i++) notebook.add({ note: `entry ${i}` });
    });
    const database = new DatabaseSync(path);
    database.exec('PRAGMA wal_checkpoint(TRUNCATE)');
    change(database);
    database.close();
    return readFileSync(path);
  };
  const put = (bytes: Uint8Array) => {
    mkdirSync(join(folder, 'data'), { recursive: true });
    writeFileSync(path, bytes);
  };

  const kinds: [string, () => void, RegExp][] = [
    ['text', () => put(Buffer.from('ring at 3.2, cold\n'.repeat(500))), /damaged; it was left as it is/],
    ['cut short', () => put(written(() => {}).subarray(0, 20_000)), /damaged/],
    ['overwritten in the middle', () => put(Buffer.from(written(() => {})).fill(0xa5, 8192, 20_480)), /damaged/],
    ['of a newer version', () => written((database) => database.exec('PRAGMA user_version = 3')), /newer Nightring/],
    ["another program's", () => written((database) => database.exec('PRAGMA application_id = 7')), /not a Nightring/],
  ];

  it.each(kinds)('is refused in one line and left as it is: %s', (_what, prepare, message) => {
    prepare();
    const before = readFileSync(path);
    expect(() => new Notebook(path)).toThrow(NotebookError);
    expect(() => new Notebook(path)).toThrow(message);
    expect(() => new Notebook(path)).toThrow(/^[^\n]+$/);
    expect(readFileSync(path).equals(before)).toBe(true);
  });

  it.each(kinds.slice(0, 4))('%s: its last sound backup is shown, to be read only', (_what, prepare, message) => {
    const entry = withNotebook((notebook) => notebook.add({ note: 'before' }));
    const sound = backups();
    prepare();
    // What `prepare` wrote itself has been backed up as well; a newer backup that is damaged is passed over.
    for (const backup of backups()) if (!sound.includes(backup)) rmSync(backup);
    writeFileSync(join(folder, 'data', 'backups', 'notebook.sqlite.20990101T000000.000Z-1'), 'half a backup');
    const before = readFileSync(path);
    withNotebook(
      (notebook) => {
        expect(notebook.problem).toMatch(message);
        expect(notebook.problem).toMatch(/backup of 20\d\d-\d\d-\d\d \d\d:\d\d UTC is shown, to be read only/);
        expect(notebook.list()).toEqual([entry]);
        for (const write of [
          () => notebook.add({ note: 'lost?' }),
          () => notebook.change(entry.id, entry),
          () => notebook.remove(entry.id),
          () => notebook.merge(notebook.book()),
        ])
          expect(write).toThrow(notebook.problem!);
        expect(notebook.list()).toEqual([entry]);
      },
      path,
      'show-backup',
    );
    expect(readFileSync(path).equals(before)).toBe(true);
  });

  it('a damaged one is put aside, and the backup goes on in its place', () => {
    const entry = withNotebook((notebook) => notebook.add({ note: 'before' }));
    put(Buffer.from(readFileSync(path)).fill(0xa5, 0, 8192));
    const damaged = readFileSync(path);
    withNotebook(
      (notebook) => {
        const aside = notebook.restore()!;
        expect(readFileSync(aside).equals(damaged)).toBe(true);
        expect(notebook.problem).toBe(null);
        const added = notebook.add({ note: 'after' });
        expect(notebook.list()).toEqual([added, entry]);
        expect(notebook.restore()).toBe(null);
      },
      path,
      'show-backup',
    );
    expect(withNotebook((notebook) => notebook.list())).toHaveLength(2);
  });

  it('without a backup nothing is shown, and a new notebook can be begun', () => {
    put(Buffer.from('ring at 3.2, cold\n'.repeat(500)));
    withNotebook(
      (notebook) => {
        expect(notebook.problem).toMatch(/There is no backup of it/);
        expect(notebook.list()).toEqual([]);
        notebook.restore();
        notebook.add({ note: 'new' });
      },
      path,
      'show-backup',
    );
    expect(withNotebook((notebook) => notebook.list())).toHaveLength(1);
  });

  it('one of a newer version is never put aside', () => {
    kinds[3][1]();
    withNotebook(
      (notebook) => {
        expect(() => notebook.restore()).toThrow(/Update Nightring/);
        expect(notebook.problem).toMatch(/newer/);
      },
      path,
      'show-backup',
    );
  });

  it('is refused when it is a folder, or its folder cannot be made', () => {
    expect(() => new Notebook(folder)).toThrow(/cannot be opened for writing/);
    // proc(5) takes no folders, from root neither.
    if (process.platform === 'linux')
      expect(() => new Notebook('/proc/nightring/notebook.sqlite')).toThrow(/cannot be used \(ENOENT\)/);
    writeFileSync(join(folder, 'file'), '');
    expect(() => new Notebook(join(folder, 'file', 'notebook.sqlite'))).toThrow(/^[^\n]*check the folder[^\n]*$/);
  });
});
