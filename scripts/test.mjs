/**
 * Lint, types, then all tests. The last line is `N passed, N failed`; lint and types count as one
 * test each. Fails when anything failed or no test ran. Arguments go on to vitest.
 */
import { spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { delimiter, join } from 'node:path';
import { inRoot, NODE, ROOT } from './project.mjs';
import { closingLine, tally } from './tally.mjs';

const folder = mkdtempSync(join(tmpdir(), 'nightring-test-'));
const countsFile = join(folder, 'counts.json');
const env = {
  ...process.env,
  PATH: `${inRoot('node_modules', '.bin')}${delimiter}${process.env.PATH}`,
  NIGHTRING_TEST_COUNTS: countsFile,
};

function run(script, args) {
  const options = { cwd: ROOT, env, stdio: ['ignore', 'inherit', 'inherit'] };
  return spawnSync(NODE, [inRoot('node_modules', script), ...args], options).status === 0;
}

function check(name, script, args) {
  const passed = run(script, args);
  console.log(`${name}: ${passed ? 'passed' : 'FAILED'}`);
  return passed;
}

const checks = {
  lint: check('lint', '@biomejs/biome/bin/biome', ['check', '.']),
  types: check('types', 'typescript/bin/tsc', ['-p', 'tsconfig.json']),
};
const reporters = ['--reporter=default', `--reporter=${inRoot('scripts', 'count-reporter.mjs')}`];
const passed = run('vitest/vitest.mjs', ['run', ...reporters, ...process.argv.slice(2)]);
const counts = existsSync(countsFile) ? JSON.parse(readFileSync(countsFile, 'utf8')) : null;
rmSync(folder, { recursive: true });

const total = tally(checks, counts, passed);
console.log(closingLine(total));
process.exitCode = total.failed > 0 ? 1 : 0;
