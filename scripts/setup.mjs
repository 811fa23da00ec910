/**
 * Brings a fresh machine with only Node and npm to where the program runs: locked packages, Debian
 * packages, camera addon, interface. Each part first checks whether it is done already; when all
 * is done nothing is printed.
 */
import { existsSync, lstatSync, readFileSync, symlinkSync } from 'node:fs';
import {
  findChromium,
  findCommand,
  fingerprint,
  inRoot,
  isWindows,
  NODE,
  nodeRuns,
  readStamp,
  writeStamp,
} from './project.mjs';
import { runStep, tail } from './step.mjs';

const readJson = (path) => JSON.parse(readFileSync(path, 'utf8'));
const GPHOTO_HEADER = '/usr/include/gphoto2/gphoto2.h';

await packages();
await debianPackages();
await addon();
await screen();

/** Locked packages, and with them the Node that everything else runs on. */
async function packages() {
  const lock = readJson(inRoot('package-lock.json')).packages;
  if (!isInstalled(lock)) {
    const { ok, output } = await runStep('Installing packages', 'npm', ['ci', '--no-audit', '--no-fund']);
    if (!ok) stop('The packages could not be installed; check the network, then run this again.', output);
  }
  const { version } = lock['node_modules/node'];
  const stamp = () => `${version} ${fingerprint('node_modules/node/bin', 'node_modules/.bin/node')}`;
  if (readStamp('node') === stamp()) return;
  // Where npm is set to run no install scripts, this one still has to.
  if (!nodeRuns(version)) {
    const cwd = inRoot('node_modules', 'node');
    const { output } = await runStep(
      `Installing Node ${version}`,
      process.execPath,
      ['installArchSpecificPackage.js'],
      {
        cwd,
      },
    );
    if (!nodeRuns(version)) stop('Node did not install; delete node_modules, then run this again.', output);
  }
  const link = inRoot('node_modules', '.bin', 'node');
  if (!isWindows && !lstatSync(link, { throwIfNoEntry: false })) symlinkSync('../node/bin/node', link);
  writeStamp('node', stamp());
}

/** Whether npm's own record of what is installed has every locked package (those of other platforms aside). */
function isInstalled(lock) {
  const record = inRoot('node_modules', '.package-lock.json');
  if (!existsSync(record)) return false;
  const installed = readJson(record).packages;
  return Object.entries(lock).every(
    ([path, entry]) => path === '' || entry.optional || installed[path]?.version === entry.version,
  );
}

/** As root on Debian installs what is missing; otherwise says how to. */
async function debianPackages() {
  if (process.platform !== 'linux') return;
  const missing = [
    !existsSync(GPHOTO_HEADER) && 'libgphoto2-dev',
    !findCommand('g++') && 'g++',
    !findCommand('pkg-config') && 'pkg-config',
    !findChromium() && 'chromium',
    !existsSync('/usr/share/fonts/truetype') && 'fonts-dejavu-core',
  ].filter(Boolean);
  if (missing.length === 0) return;
  const install = ['install', '-y', '--no-install-recommends', ...missing];
  if (process.getuid() === 0 && findCommand('apt-get')) {
    const env = { DEBIAN_FRONTEND: 'noninteractive' };
    const wait = ['-o', 'DPkg::Lock::Timeout=60'];
    await runStep('Reading the list of Debian packages', 'apt-get', [...wait, 'update'], { env });
    const title = `Installing Debian packages (${missing.join(', ')})`;
    const { ok, output } = await runStep(title, 'apt-get', [...wait, ...install], { env });
    if (ok) return;
    console.log(tail(output, 5));
  }
  console.log('Some system packages are missing; going on without what needs them. To install them on Debian:');
  console.log(`  sudo apt-get update && sudo apt-get ${install.join(' ')}`);
}

/** The camera addon. Without it all but tethered cameras works. */
async function addon() {
  const sources = ['native', GPHOTO_HEADER, 'node_modules/node-addon-api/package.json'];
  const why = await build('addon', 'Building the camera addon', sources, 'native/build', ['native/build.mjs']);
  if (why) console.log(`${why}\nTethered cameras are off until the addon builds.`);
}

/** The interface that the window shows. */
async function screen() {
  const sources = ['renderer', 'core', 'host/api.ts', 'vite.config.ts', 'package-lock.json'];
  const vite = ['node_modules/vite/bin/vite.js', 'build', '--logLevel', 'warn'];
  const why = await build('screen', 'Building the interface', sources, 'dist', vite);
  if (why) stop('The interface did not build.', why);
}

/** Runs a build unless its sources are as they were at the last good one; gives the end of its output when it fails. */
async function build(name, title, sources, result, args) {
  const stamp = fingerprint(...sources);
  if (existsSync(inRoot(result)) && readStamp(name) === stamp) return null;
  const { ok, output } = await runStep(title, NODE, args);
  if (!ok) return tail(output);
  writeStamp(name, stamp);
  return null;
}

function stop(message, output) {
  console.error(`${tail(output)}\n${message}`);
  process.exit(1);
}
