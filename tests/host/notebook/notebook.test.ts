import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { text } from 'node:stream/consumers';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { NotebookError } from '../../../core/notebook/entry.ts';
import { Notebook } from '../../../host/notebook/notebook.ts';

let folder: string;
let path: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'nightring-notebook-'));
  path = join(folder, 'data', 'notebook.sqlite');
});
afterEach(() => rmSync(folder, { recursive: true }));

function withNotebook<Result>(use: (notebook: Notebook) => Result, at = path): Result {
  const notebook = new Notebook(at);
  try {
    return use(notebook);
  } finally {
    notebook.close();
  }
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
    expect(database.prepare('PRAGMA user_version').get()).toEqual({ user_version: 1 });
    database.close();
  });
});

describe('export and import', () => {
  it('carries a notebook to another machine; known entries are skipped', () => {
    const json = withNotebook((notebook) => {
      for (const note of ['a', 'b', 'c']) notebook.add({ note });
      return notebook.exportJson();
    });
    withNotebook(
      (other) => {
        expect(other.importJson(json)).toEqual({ added: 3, skipped: 0 });
        other.add({ note: 'd' });
        expect(other.importJson(json)).toEqual({ added: 0, skipped: 3 });
        expect(other.list().map((entry) => entry.note)).toHaveLength(4);
      },
      join(folder, 'other.sqlite'),
    );
  });

  it('changes nothing when one entry of the file is wrong', () => {
    withNotebook((notebook) => {
      const document = JSON.parse(notebook.exportJson());
      const good = { id: crypto.randomUUID(), timeUtc: '2031-10-14T21:00:00Z' };
      document.entries = [good, { ...good, id: crypto.randomUUID(), focalMm: 'wide' }];
      expect(() => notebook.importJson(JSON.stringify(document))).toThrow(
        /^Nothing was imported: [^\n]*focalMm[^\n]*$/,
      );
      expect(notebook.list()).toEqual([]);
    });
  });

  it('exports CSV with one record per entry', () => {
    withNotebook((notebook) => {
      notebook.add({ note: 'one' });
      notebook.add({ note: 'two' });
      expect(notebook.exportCsv().trimEnd().split('\r\n')).toHaveLength(3);
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

  it.each<[string, () => void, RegExp]>([
    ['text', () => put(Buffer.from('ring at 3.2, cold\n'.repeat(500))), /damaged; it was left as it is/],
    ['cut short', () => put(written(() => {}).subarray(0, 20_000)), /damaged/],
    ['overwritten in the middle', () => put(Buffer.from(written(() => {})).fill(0xa5, 8192, 20_480)), /damaged/],
    ['of a newer version', () => written((database) => database.exec('PRAGMA user_version = 2')), /newer Nightring/],
    ["another program's", () => written((database) => database.exec('PRAGMA application_id = 7')), /not a Nightring/],
  ])('is refused in one line and left as it is: %s', (_what, prepare, message) => {
    prepare();
    const before = readFileSync(path);
    expect(() => new Notebook(path)).toThrow(NotebookError);
    expect(() => new Notebook(path)).toThrow(message);
    expect(() => new Notebook(path)).toThrow(/^[^\n]+$/);
    expect(readFileSync(path).equals(before)).toBe(true);
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
