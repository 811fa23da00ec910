/**
 * Lint, types, then all tests. The last line is `N passed, N failed`; lint and types count as one
 * test each. Fails when anything failed or no test ran.
 */
import { spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { inRoot, NODE, ROOT } from './project.mjs';

const env = { ...process.env, PATH: `${inRoot('node_modules', '.bin')}:${process.env.PATH}` };
const run = (script, args, extra = {}) =>
  spawnSync(NODE, [inRoot('node_modules', script), ...args], {
    cwd: ROOT,
    env: { ...env, ...extra },
    stdio: ['ignore', 'inherit', 'inherit'],
  }).status;

const totals = { passed: 0, failed: 0, skipped: 0 };
const check = (name, status) => {
  console.log(`${name}: ${status === 0 ? 'passed' : 'FAILED'}`);
  totals[status === 0 ? 'passed' : 'failed']++;
};
check('lint', run('@biomejs/biome/bin/biome', ['check', '.']));
check('types', run('typescript/bin/tsc', ['-p', 'tsconfig.json']));

const folder = mkdtempSync(join(tmpdir(), 'nightring-test-'));
const countsFile = join(folder, 'counts.json');
const args = [
  'run',
  '--reporter=default',
  `--reporter=${inRoot('scripts', 'count-reporter.mjs')}`,
  ...process.argv.slice(2),
];
const status = run('vitest/vitest.mjs', args, { NIGHTRING_TEST_COUNTS: countsFile });
try {
  const counts = JSON.parse(readFileSync(countsFile, 'utf8'));
  for (const key of Object.keys(totals)) totals[key] += counts[key];
  // Vitest can fail without a failed test (an error outside any test, no test found): never let that pass.
  if (counts.passed + counts.failed === 0 || (status !== 0 && counts.failed === 0)) totals.failed++;
} catch {
  totals.failed++;
}
rmSync(folder, { recursive: true });

const skipped = totals.skipped > 0 ? `, ${totals.skipped} skipped` : '';
console.log(`${totals.passed} passed, ${totals.failed} failed${skipped}`);
process.exitCode = totals.failed > 0 ? 1 : 0;
