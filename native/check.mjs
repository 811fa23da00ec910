// Checks the addon for memory errors, leaks and growth: npm run check-addon [-- ROUNDS [PHASE…]]
//
// Each round opens the virtual camera of the tests (both its dialects in turn) through libgphoto2, takes a frame and
// closes; every tenth also reads the settings, photographs, cancels a call, pulls the cable, and leaves a camera to the
// garbage collector. Phases, all unless some are named:
//   sanitized  under AddressSanitizer and LeakSanitizer: any memory error, and any block lost in the addon or in
//              libgphoto2 (but for lsan.supp), fails
//   valgrind   the C++ part alone (check.cpp), a thread for each dialect, one for a camera on the tests' virtual USB
//              bus, and one that lists cameras, under valgrind: any invalid read or write, use of what was never written, or block definitely lost (but for
//              valgrind.supp), fails; a tenth of the rounds; passed over where valgrind is not installed
//   plain      over the second half resident memory must not grow by more than 8 MiB (the resolution of that
//              figure), nor the number of descriptors
// Exit status 1 on failure.
import { spawn, spawnSync } from 'node:child_process';
import { readdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const here = (name) => fileURLToPath(new URL(name, import.meta.url));
const allowedMib = 8;
/** In which cameras left to the garbage collector end their threads: one that is ending with the process looks like a leak. */
const endingMs = 2000;

const jpeg = Buffer.concat([Buffer.of(0xff, 0xd8), Buffer.alloc(100_000, 0x5a), Buffer.of(0xff, 0xd9)]);

async function virtualCameras() {
  const { dialects, VirtualCamera } = await import('../tests/camera/virtual/camera.ts');
  return Promise.all(Object.keys(dialects).map((dialect) => VirtualCamera.start({ frame: () => jpeg }, { dialect })));
}

/** The checked part, in a process of its own. */
async function run(phase, rounds) {
  const { GP, openCamera } = await import('./index.ts');
  const virtuals = await virtualCameras();
  const expectPicture = ({ bytes }, what) => {
    if (!bytes.equals(jpeg)) throw new Error(`${what} has other bytes than the camera sent`);
  };
  const usage = async () => {
    globalThis.gc();
    await new Promise((resolve) => setTimeout(resolve, endingMs));
    return { mib: process.memoryUsage.rss() / 2 ** 20, descriptors: readdirSync('/proc/self/fd').length };
  };

  let late = 0;
  // On a busy machine the driver's own patience (2.5 s a read, 3 s a picture) may end before the virtual camera's
  // turn comes: such a round only closes.
  const isLate = ({ code }) => {
    if (![GP.TIMEOUT, GP.ERROR, GP.IO, GP.CAMERA_BUSY].includes(code) || ++late > rounds / 50)
      throw new Error(`too many answers failed or came too late (${code})`);
    return null;
  };

  const everyTenth = async (camera, virtual, round) => {
    await camera.config().catch(isLate);
    await camera.setting('iso').catch(isLate);
    const photograph = await camera.capture().catch(isLate);
    if (photograph) expectPicture(photograph, `photograph ${round}`);
    const controller = new AbortController();
    const cancelled = [camera.waitEvent(60_000, controller), camera.frame(controller)];
    controller.abort();
    await Promise.allSettled(cancelled);
    const left = await openCamera({ port: virtual.port }).catch(isLate);
    left?.frame().catch(() => {}); // nobody waits for it
    // libgphoto2 2.5.30 itself loses 54 kB whenever a camera of vendor extension 0x0B is gone at the end (camera_exit
    // returns too early); that would be all the growth there is.
    if (phase === 'plain' && virtual !== virtuals[0]) return;
    await virtual.unplug();
    await camera.frame().catch(() => {}); // fails, one way or another
    await virtual.plugIn();
  };

  let half = await usage();
  for (let round = 1; round <= rounds; round++) {
    const virtual = virtuals[round % 20 < 10 ? 0 : 1];
    const camera = await openCamera({ port: virtual.port }).catch(isLate);
    const picture = await camera?.frame().catch(isLate);
    if (picture) expectPicture(picture, `frame ${round}`);
    if (picture && round % 10 === 0) await everyTenth(camera, virtual, round);
    await camera?.close();
    if (round % 10 === 0) globalThis.gc();
    if (round === Math.floor(rounds / 2)) half = await usage();
    if (round % 1000 === 0) {
      const { mib, descriptors } = await usage();
      console.log(`${phase}: after ${round} rounds ${mib.toFixed(1)} MiB, ${descriptors} descriptors`);
    }
  }
  const end = await usage();
  for (const virtual of virtuals) await virtual.stop();
  const grownMib = end.mib - half.mib;
  const moreDescriptors = end.descriptors - half.descriptors;
  console.log(
    `${phase}: ${rounds} rounds; at half ${half.mib.toFixed(1)} MiB, ${half.descriptors} descriptors; ` +
      `second half ${grownMib.toFixed(1)} MiB, ${moreDescriptors} descriptors more; ${late} answers too late`,
  );
  // The sanitizer keeps freed memory for a while, so its growth says nothing.
  if (phase === 'plain' && (grownMib > allowedMib || moreDescriptors > 2)) process.exitCode = 1;
}

function node(args, env = {}) {
  const options = { stdio: ['ignore', 'inherit', 'pipe'], encoding: 'utf8', env: { ...process.env, ...env } };
  return spawnSync(process.execPath, args, options);
}

/** Ends the program when the checked one did not end well. */
function judge(phase, { status, signal, stderr }) {
  if (status === 0) return;
  const noise = /^(read|sendreq|connect|write) ?.*: (Broken pipe|Connection .*)$/; // libgphoto2 on pulled cables
  const said = stderr.split('\n').filter((line) => !noise.test(line));
  console.error(`${phase}: FAILED (${signal ?? `exit status ${status}`})\n${said.slice(0, 100).join('\n')}`);
  process.exit(1);
}

const inNode = (phase, env) =>
  judge(phase, node(['--expose-gc', here('check.mjs'), String(rounds), '--inside', phase], env));

const phases = {
  sanitized() {
    if (node([here('build.mjs'), '--sanitize']).status !== 0) process.exit(1);
    const compiler = process.env.CXX ?? 'g++';
    const library = spawnSync(compiler, ['-print-file-name=libasan.so'], { encoding: 'utf8' }).stdout.trim();
    const drivers = spawnSync('pkg-config', ['--variable=driverdir', 'libgphoto2'], { encoding: 'utf8' }).stdout.trim();
    inNode('sanitized', {
      // The driver stays loaded, so that what it loses is known as its own.
      LD_PRELOAD: `${library}:${drivers}/ptp2.so`,
      ASAN_OPTIONS: 'detect_leaks=1:fast_unwind_on_malloc=0',
      LSAN_OPTIONS: `suppressions=${here('lsan.supp')}:print_suppressions=0`,
      NIGHTRING_GPHOTO_ADDON: './build/sanitized/nightring_gphoto.node',
    });
  },

  async valgrind() {
    if (spawnSync('valgrind', ['--version']).error) {
      console.log('valgrind: not installed, passed over');
      return;
    }
    if (node([here('build.mjs'), '--check']).status !== 0) process.exit(1);
    const { VirtualUsb } = await import('../tests/camera/virtual/usb.ts');
    const virtuals = [...(await virtualCameras()), ...(await virtualCameras())];
    const [onUsb, ...onNetwork] = virtuals;
    const usb = new VirtualUsb(onUsb.onUsb());
    const few = Math.ceil(rounds / 10);
    const memcheck = [
      '--quiet',
      '--keep-debuginfo=yes',
      '--error-exitcode=1',
      '--leak-check=full',
      '--errors-for-leak-kinds=definite',
    ];
    const shown = ['--show-leak-kinds=definite', `--suppressions=${here('valgrind.supp')}`];
    const program = [here('build/check'), String(few), 'usb:001,004', ...onNetwork.map(({ port }) => port)];
    const child = spawn('valgrind', [...memcheck, ...shown, ...program], { stdio: ['ignore', 'inherit', 'pipe'] });
    let stderr = '';
    child.stderr.on('data', (said) => {
      stderr += said;
    });
    const [status, signal] = await new Promise((resolve) => child.once('close', (...how) => resolve(how)));
    await usb.close();
    for (const virtual of virtuals) await virtual.stop();
    judge('valgrind', { status, signal, stderr });
    console.log(`valgrind: ${few} rounds for each of ${virtuals.length} cameras at once, one on USB, no errors`);
  },

  plain: () => inNode('plain'),
};

const [given = '300', ...named] = process.argv.slice(2);
const rounds = Number(given);
if (named[0] === '--inside') {
  await run(named[1], rounds);
  process.exit();
}
if (!Number.isInteger(rounds) || rounds < 20 || named.some((name) => !Object.hasOwn(phases, name))) {
  console.error(`usage: npm run check-addon -- [rounds, at least 20] [${Object.keys(phases).join(' | ')}]…`);
  process.exit(2);
}
if (node([here('build.mjs')]).status !== 0) process.exit(1);
for (const [name, phase] of Object.entries(phases)) if (named.length === 0 || named.includes(name)) await phase();
