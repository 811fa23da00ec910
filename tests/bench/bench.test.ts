/** The bench as a program: one JSON document, the same for the same seed and another for another. */
import { execFile } from 'node:child_process';
import { promisify } from 'node:util';
import { expect, test } from 'vitest';
import type { Report } from './report.ts';

const BENCH = new URL('bench.ts', import.meta.url).pathname;

async function report(...args: string[]): Promise<Report> {
  const { stdout } = await promisify(execFile)(process.execPath, [BENCH, '--json', ...args]);
  return JSON.parse(stdout);
}

/** Without the times, which no two runs share. */
const figures = (rows: object) =>
  JSON.parse(JSON.stringify(rows, (key, value) => (/^(wall|cpu)Ms$/.test(key) ? undefined : value)));

test('--json gives one document; a seed gives the same frames again, another seed others', async () => {
  const small = ['--families', 'small', '--frames', '1', '--seed'];
  const first = await report(...small, '5');
  expect(first.seeds).toEqual([5]);
  expect(first.families).toHaveLength(1);
  const [row] = first.families;
  expect(row).toMatchObject({ family: 'small', seed: 5, learned: { frames: 1, foundPercent: 100, signErrors: 0 } });
  for (const { rmsOverBound, rmsPx } of [row.learned, row.followed, row.known, row.unknown]) {
    expect(rmsOverBound).toBeGreaterThan(0);
    expect(rmsPx).toBeLessThan(0.5);
  }
  expect(row.blurredPeaks.foundPercent).toBe(100);
  expect(figures((await report(...small, '5')).families)).toEqual(figures(first.families));
  const [other] = (await report(...small, '6')).families;
  expect(other.learned.rmsPx).not.toBe(row.learned.rmsPx);
}, 180_000);

test('an unknown family is refused in one line that names those there are', async () => {
  const refused = await report('--families', 'smal').catch(({ stderr }: { stderr: string }) => stderr);
  expect(refused).toMatch(/smal/);
  expect(refused).toMatch(/plain/);
  expect(String(refused).trim().split('\n')).toHaveLength(1);
});
