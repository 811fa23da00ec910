/**
 * Packs the program for this platform (or the ones named: --linux --mac --windows) into release/.
 * Needs a network that has Electron's binary; says so when it cannot be had.
 */
import { spawnSync } from 'node:child_process';
import { NODE, ROOT } from './project.mjs';
import { electronBinary } from './window.mjs';

if (!(await electronBinary({ retry: true }))) {
  console.error("Packing needs Electron's binary, and it could not be fetched: run this on a network that reaches it.");
  process.exit(1);
}
const builder = ['node_modules/electron-builder/cli.js', '--config', 'electron-builder.yml', '--publish', 'never'];
process.exitCode = spawnSync(NODE, [...builder, ...process.argv.slice(2)], { cwd: ROOT, stdio: 'inherit' }).status ?? 1;
