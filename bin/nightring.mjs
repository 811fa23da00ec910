#!/usr/bin/env node
/** Runs the command line on the Node that the project brings along, whatever Node starts this file. */
import { spawn } from 'node:child_process';
import { existsSync } from 'node:fs';
import { enableCompileCache } from 'node:module';
import { fileURLToPath } from 'node:url';

const MAJOR = 24;
const path = (name) => fileURLToPath(new URL(`../${name}`, import.meta.url));
const isModern = Number(process.versions.node.split('.')[0]) >= MAJOR;

if (!existsSync(path('node_modules/commander/package.json'))) {
  console.error('Nightring is not installed yet: run "npm start" in its folder first.');
  process.exitCode = 2;
} else if (isModern) {
  keepCompiled();
  quietSqlite();
  await import('../host/cli/main.ts');
} else await runOnOwnNode();

/** Compiled code is kept, for this process and those it starts: the next start takes half as long. */
function keepCompiled() {
  process.env.NODE_COMPILE_CACHE ??= path('node_modules/.cache/nightring-code');
  enableCompileCache(process.env.NODE_COMPILE_CACHE);
}

/** node:sqlite works without a flag and says once that it is experimental; other warnings pass. */
function quietSqlite() {
  const emitWarning = process.emitWarning;
  process.emitWarning = (warning, ...rest) => {
    if (!/SQLite is an experimental feature/.test(String(warning))) emitWarning.call(process, warning, ...rest);
  };
}

async function runOnOwnNode() {
  const node = path(`node_modules/node/bin/node${process.platform === 'win32' ? '.exe' : ''}`);
  if (!existsSync(node)) {
    console.error(`Nightring needs Node ${MAJOR}, which it brings along: run "npm start" in its folder first.`);
    process.exitCode = 2;
    return;
  }
  const child = spawn(node, [fileURLToPath(import.meta.url), ...process.argv.slice(2)], { stdio: 'inherit' });
  // Ctrl-C reaches the child by itself as well; it takes the second one for the same.
  for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP']) process.on(signal, () => child.kill(signal));
  child.on('exit', (code, signal) => {
    process.exitCode = code ?? (signal === 'SIGINT' ? 130 : 1);
  });
}
