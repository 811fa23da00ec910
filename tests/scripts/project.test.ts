import { mkdtempSync, rmSync, utimesSync, writeFileSync } from 'node:fs';
import { basename, join } from 'node:path';
import { expect, it } from 'vitest';
import { findCommand, fingerprint, inRoot, NODE, nodeRuns } from '../../scripts/project.mjs';
import { runStep, tail } from '../../scripts/step.mjs';

it('fingerprint changes when a file is added, changed or removed, and only then', () => {
  const folder = mkdtempSync(inRoot('node_modules', '.nightring-test-'));
  const relative = join('node_modules', basename(folder));
  const seen: string[] = [];
  const look = () => seen.push(fingerprint(relative, 'no-such-folder'));
  try {
    look();
    writeFileSync(join(folder, 'a.ts'), 'one');
    look();
    writeFileSync(join(folder, 'a.ts'), 'two');
    utimesSync(join(folder, 'a.ts'), 1e9, 1e9);
    look();
    expect(fingerprint(relative, 'no-such-folder')).toBe(seen.at(-1));
    rmSync(join(folder, 'a.ts'));
    look();
  } finally {
    rmSync(folder, { recursive: true });
  }
  expect(new Set(seen).size).toBe(3);
  expect(seen.at(-1)).toBe(seen[0]);
});

it('finds commands of the machine, not of the packages', () => {
  expect(findCommand('no-such-command', 'node')).not.toBeNull();
  expect(findCommand('no-such-command')).toBeNull();
  expect(findCommand('vitest')).toBeNull();
});

it('knows whether the locked Node runs', () => {
  expect(nodeRuns(process.versions.node)).toBe(true);
  expect(nodeRuns('20.0.0')).toBe(false);
});

it('runs a step to its end and keeps its output', async () => {
  expect(await runStep('a', NODE, ['-e', 'console.log(7); process.exit(0)'])).toEqual({ ok: true, output: '7\n' });
  expect(await runStep('b', NODE, ['-e', 'console.error(8); process.exit(3)'])).toEqual({ ok: false, output: '8\n' });
  const missing = await runStep('c', 'no-such-command', []);
  expect(missing.ok).toBe(false);
  expect(missing.output).toContain('no-such-command');
});

it('ends a step that hangs', async () => {
  const { ok, output } = await runStep('d', NODE, ['-e', 'setInterval(() => {}, 1000)'], { limitMs: 200 });
  expect(ok).toBe(false);
  expect(output).toMatch(/ended by SIGTERM/);
});

it('shows the end of a long output', () => {
  expect(tail('a\nb\nc\n', 2)).toBe('  b\n  c');
});
