// Builds the camera addon with the machine's C++ compiler: node native/build.mjs [--sanitize | --check]
//
// No node-gyp: Node-API is stable C, and its headers come as npm packages, so nothing is downloaded and the
// same file serves every Node and Electron. Rebuilds only when a source, a header or the command changed.
// --check builds check.cpp, the program for valgrind, instead. Prints one line. Exit status 1 when it cannot be built.
import { spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { existsSync, mkdirSync, readdirSync, readFileSync, renameSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const native = dirname(fileURLToPath(import.meta.url));
const modules = join(native, '..', 'node_modules');
const sanitize = process.argv.includes('--sanitize');
const check = process.argv.includes('--check');
const output = join(
  native,
  'build',
  check ? 'check' : sanitize ? 'sanitized/nightring_gphoto.node' : 'nightring_gphoto.node',
);
const stamp = `${output}.stamp`;

function stop(why) {
  console.error(`camera addon: ${why}`);
  process.exit(1);
}

function run(command, args) {
  const { status, stdout, stderr, error } = spawnSync(command, args, { encoding: 'utf8' });
  return { ok: !error && status === 0, stdout: stdout ?? '', stderr: error ? String(error.message) : stderr };
}

const needs =
  process.platform === 'darwin'
    ? 'run: brew install libgphoto2 pkg-config'
    : 'run: sudo apt install libgphoto2-dev g++ pkg-config';
if (process.platform === 'win32') stop('libgphoto2 is not available on Windows; cameras by cable are left out');
const flags = run('pkg-config', ['--cflags', '--libs', 'libgphoto2']);
if (!flags.ok) stop(`libgphoto2 for developers is missing; ${needs}`);
const version = run('pkg-config', ['--modversion', 'libgphoto2']).stdout.trim();

const sources = readdirSync(join(native, 'src'))
  .sort()
  .map((name) => `src/${name}`);
/** The program needs only what knows of no JavaScript. */
const compiled = check ? ['src/gphoto.cpp', 'check.cpp'] : sources.filter((name) => name.endsWith('.cpp'));
const what = check ? 'check program' : 'camera addon';
const compiler = process.env.CXX ?? 'g++';
const command = [
  '-std=c++20',
  ...(sanitize ? ['-O1', '-g', '-fsanitize=address', '-fno-omit-frame-pointer'] : ['-O2']),
  ...(check ? ['-g'] : ['-fPIC', '-shared']),
  '-pthread',
  '-Wall',
  '-Wextra',
  '-fvisibility=hidden',
  '-DNAPI_VERSION=8',
  '-DNAPI_CPP_EXCEPTIONS',
  '-DNODE_ADDON_API_DISABLE_DEPRECATED',
  // A thread of JavaScript that is being terminated cannot be told anything; that is no reason to abort the process.
  '-DNODE_API_SWALLOW_UNTHROWABLE_EXCEPTIONS',
  ...(process.platform === 'darwin' ? ['-undefined', 'dynamic_lookup'] : []),
  // -isystem: warnings are for our own code
  ...['node-api-headers/include', 'node-addon-api'].flatMap((folder) => ['-isystem', join(modules, folder)]),
  ...compiled.map((name) => join(native, name)),
  ...flags.stdout.trim().split(/\s+/),
];

const hash = createHash('sha256').update(JSON.stringify([compiler, command, version]));
for (const name of new Set([...sources, ...compiled])) hash.update(readFileSync(join(native, name)));
for (const name of ['node-api-headers', 'node-addon-api']) {
  const about = join(modules, name, 'package.json');
  if (!existsSync(about)) stop('its headers are missing; run: npm ci');
  hash.update(readFileSync(about));
}
const wanted = hash.digest('hex');

if (existsSync(output) && existsSync(stamp) && readFileSync(stamp, 'utf8') === wanted) {
  console.log(`${what}: up to date (libgphoto2 ${version})`);
} else {
  mkdirSync(dirname(output), { recursive: true });
  const fresh = `${output}.${process.pid}`;
  const done = run(compiler, [...command, '-o', fresh]);
  if (!done.ok) {
    if (!run(compiler, ['--version']).ok) stop(`no C++ compiler (${compiler}); ${needs}`);
    stop(`could not be compiled\n${done.stderr.trim()}`);
  }
  if (done.stderr.trim()) console.error(done.stderr.trim());
  renameSync(fresh, output); // a running program keeps the old file
  writeFileSync(stamp, wanted);
  console.log(`${what}: built (libgphoto2 ${version})`);
}
