/** `nightring paper`: real processes, the files they leave, and their exit status. */
import { spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { NOTEBOOK_FILE } from '../../../host/datafolder.ts';
import { Notebook } from '../../../host/notebook/notebook.ts';
import { evenings, LENS } from './evening.ts';
import { readPdf } from './read.ts';

const BIN = join(import.meta.dirname, '..', '..', '..', 'bin', 'nightring.mjs');
let data: string;
beforeAll(() => {
  data = mkdtempSync(join(tmpdir(), 'nightring-paper-'));
  const notebook = new Notebook(join(data, NOTEBOOK_FILE));
  for (const entry of evenings()) notebook.add(entry);
  notebook.close();
});
afterAll(() => rmSync(data, { recursive: true }));

const at = (name: string) => join(data, name);
const paper = (...args: string[]) => {
  const run = spawnSync(process.execPath, [BIN, 'paper', ...args, '--data', data], { encoding: 'utf8' });
  return { status: run.status, out: run.stdout, err: run.stderr };
};

test('a tape for the lens named, with the marks of its notebook', async () => {
  const tape = ['tape', '--lens', LENS, '--diameter-mm', '72', '--temperature-c', '-3', '--out', at('tape.pdf')];
  expect(paper(...tape)).toEqual({ status: 0, out: '', err: `Written to ${at('tape.pdf')}.\n` });
  const { sheets } = await readPdf(readFileSync(at('tape.pdf')));
  const text = sheets[0].texts.map((item) => item.text).join('\n');
  expect(text).toContain(`Ring tape: ${LENS}`);
  expect(text).toContain('at −3 °C');
  // Nothing that is there is overwritten.
  const again = paper(...tape);
  expect(again.status).toBe(2);
  expect(again.err).toMatch(/exists already; name another file\n$/);
});

test('a report of the last session on Letter', async () => {
  expect(paper('report', '--paper', 'letter', '--out', at('report.pdf')).status).toBe(0);
  const { sheets } = await readPdf(readFileSync(at('report.pdf')));
  expect(sheets[0].widthMm).toBeCloseTo(215.9, 1);
});

test('what is missing or wrong is one line and exit 2', () => {
  expect(paper('tape', '--out', at('none.pdf'))).toEqual({
    status: 2,
    out: '',
    err: 'nightring: the diameter of the focus ring is not known; measure it and type it with the lens in the kit\n',
  });
  expect(paper('card').err).toMatch(/^nightring: .*--out.*\n$/);
});
