import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, it } from 'vitest';
import { startHost } from '../../electron/host.ts';
import { inRoot } from '../../scripts/project.mjs';

// Node stands in for Electron's binary, which behaves as Node when ELECTRON_RUN_AS_NODE is set
// (Electron documentation, "Environment Variables"). Electron itself is not run here.
let folder: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'nightring-shell-'));
});
afterEach(() => rmSync(folder, { recursive: true }));

it("starts the host, gives its page's link, and stops it", async () => {
  const host = await startHost(process.execPath, inRoot(), ['--data', folder, '--camera', `folder:${folder}`]);
  expect((await fetch(host.url)).status).toBe(200);
  await host.stop();
  await expect(fetch(host.url)).rejects.toThrow();
});

it('says so in one line when the host cannot start', async () => {
  const file = join(folder, 'file');
  writeFileSync(file, 'no folder');
  const attempt = startHost(process.execPath, inRoot(), ['--data', join(file, 'data')]);
  await expect(attempt).rejects.toThrow(/^The host ended before its page was ready[^\n]*$/);
});

it('says so when there is no such Node', async () => {
  await expect(startHost(join(folder, 'none'), inRoot())).rejects.toThrow(/^The host ended[^\n]*$/);
});
