import { spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { inRoot } from '../../scripts/project.mjs';
import { closingLine, tally } from '../../scripts/tally.mjs';

const good = { lint: true, types: true };
const counts = (passed: number, failed: number, skipped = 0) => ({ passed, failed, skipped });

describe('tally', () => {
  it('counts each check as a test', () => {
    expect(tally(good, counts(5, 0, 1), true)).toEqual(counts(7, 0, 1));
    expect(tally({ lint: true, types: false }, counts(5, 1), false)).toEqual(counts(6, 2));
  });

  it.each<[string, ReturnType<typeof counts> | null, boolean]>([
    ['no test ran', counts(0, 0), true],
    ['all were skipped', counts(0, 0, 9), true],
    ['the run failed without a failed test', counts(5, 0), false],
    ['the run did not get to its end', null, false],
  ])('fails when %s', (_what, ran, passed) => {
    expect(tally(good, ran, passed).failed).toBe(1);
  });

  it('closes with one plain line', () => {
    expect(closingLine(counts(12, 0))).toBe('12 passed, 0 failed');
    expect(closingLine(counts(12, 1, 2))).toBe('12 passed, 1 failed, 2 skipped');
  });
});

describe('counting a run of vitest', () => {
  /** Runs vitest with the counting reporter on files of a folder of their own. */
  function countsOf(files: Record<string, string>) {
    // Inside the project, so that the files find vitest.
    const folder = mkdtempSync(inRoot('node_modules', '.nightring-test-'));
    try {
      for (const [name, source] of Object.entries(files))
        writeFileSync(join(folder, name), `import { it, expect, describe, beforeAll } from 'vitest';\n${source}`);
      const countsFile = join(folder, 'counts.json');
      const config = join(folder, 'vitest.config.mjs');
      writeFileSync(config, 'export default { test: { include: ["*.test.js"], exclude: [] } };');
      const reporter = `--reporter=${inRoot('scripts', 'count-reporter.mjs')}`;
      const args = [
        inRoot('node_modules', 'vitest', 'vitest.mjs'),
        'run',
        '--root',
        folder,
        '--config',
        config,
        reporter,
      ];
      const { status } = spawnSync(process.execPath, args, {
        env: { ...process.env, NIGHTRING_TEST_COUNTS: countsFile },
        encoding: 'utf8',
      });
      return { ...JSON.parse(readFileSync(countsFile, 'utf8')), passedAll: status === 0 };
    } finally {
      rmSync(folder, { recursive: true });
    }
  }

  it('tells passed, failed and skipped tests', () => {
    const source = `
      it('a', () => expect(1).toBe(1));
      describe('inner', () => { it('b', () => expect(1).toBe(1)); it('c', () => expect(1).toBe(2)); });
      it.skip('d', () => {});
      it.todo('e');`;
    expect(countsOf({ 'a.test.js': source })).toEqual({ ...counts(2, 1, 2), passedAll: false });
  });

  it.each([
    ['that cannot be read', 'it("a", () => {'],
    ['that throws while loading', 'throw new Error("x");'],
    ['whose set-up fails', 'beforeAll(() => { throw new Error("x"); }); it("a", () => {});'],
    ['without tests', ''],
  ])('counts a file %s as failed', (_what, source) => {
    const result = countsOf({ 'bad.test.js': source, 'good.test.js': 'it("a", () => expect(1).toBe(1));' });
    expect(result.passed).toBe(1);
    expect(result.failed).toBeGreaterThanOrEqual(1);
    expect(result.passedAll).toBe(false);
  });

  it('counts an error outside any test as failed', () => {
    const source =
      'it("a", () => { setTimeout(() => { throw new Error("late"); }); return new Promise((r) => setTimeout(r, 50)); });';
    expect(countsOf({ 'late.test.js': source })).toMatchObject({ failed: 1, passedAll: false });
  });
});
