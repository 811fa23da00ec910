// Checks the addon for memory errors, leaks and growth: node native/check.mjs [rounds]
//
// Each round opens the virtual camera of the tests through libgphoto2, takes a frame and closes; every tenth also
// reads the settings, photographs, pulls the cable, and leaves a camera to the garbage collector.
// First under AddressSanitizer and LeakSanitizer: any memory error, and any block lost in the addon or in
// libgphoto2 (but for lsan.supp), fails. Then plainly: over the second half resident memory must not grow by more
// than 8 MiB (the resolution of that figure), nor the number of descriptors. Exit status 1 on failure.
import { spawnSync } from 'node:child_process';
import { readdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const here = (name) => fileURLToPath(new URL(name, import.meta.url));
const allowedMib = 8;

/** The checked part, in a process of its own. */
async function run(phase, rounds) {
  const { VirtualCamera } = await import('../tests/camera/virtual/camera.ts');
  const { openCamera } = await import('./index.ts');
  const jpeg = Buffer.concat([Buffer.of(0xff, 0xd8), Buffer.alloc(100_000, 0x5a), Buffer.of(0xff, 0xd9)]);
  const virtual = await VirtualCamera.start({ frame: () => jpeg });
  const expectPicture = ({ bytes }, what) => {
    if (!bytes.equals(jpeg)) throw new Error(`${what} has other bytes than the camera sent`);
  };
  const usage = () => {
    globalThis.gc();
    return { mib: process.memoryUsage.rss() / 2 ** 20, descriptors: readdirSync('/proc/self/fd').length };
  };

  let half = usage();
  for (let round = 1; round <= rounds; round++) {
    const camera = await openCamera({ port: virtual.port });
    expectPicture(await camera.frame(), `frame ${round}`);
    if (round % 10 === 0) {
      await camera.config();
      expectPicture(await camera.capture(), `photograph ${round}`);
      const left = await openCamera({ port: virtual.port });
      left.frame().catch(() => {}); // nobody waits for it
      await virtual.unplug();
      await camera.frame().catch(() => {}); // fails, one way or another
      await virtual.plugIn();
    }
    await camera.close();
    if (round % 10 === 0) globalThis.gc();
    if (round === Math.floor(rounds / 2)) half = usage();
  }
  const end = usage();
  await virtual.stop();
  const grownMib = end.mib - half.mib;
  const moreDescriptors = end.descriptors - half.descriptors;
  console.log(
    `${phase}: ${rounds} rounds; second half: ${grownMib.toFixed(1)} MiB, ${moreDescriptors} descriptors more`,
  );
  // The sanitizer keeps freed memory for a while, so its growth says nothing.
  if (phase === 'plain' && (grownMib > allowedMib || moreDescriptors > 2)) process.exitCode = 1;
}

function node(args, env = {}) {
  const options = { stdio: ['ignore', 'inherit', 'pipe'], encoding: 'utf8', env: { ...process.env, ...env } };
  return spawnSync(process.execPath, args, options);
}

function check(phase, rounds, env) {
  const { status, signal, stderr } = node(['--expose-gc', here('check.mjs'), String(rounds), phase], env);
  if (status === 0) return;
  const noise = /^(read|sendreq|connect|write) ?.*: (Broken pipe|Connection .*)$/; // libgphoto2 on pulled cables
  const said = stderr.split('\n').filter((line) => !noise.test(line));
  console.error(`${phase}: FAILED (${signal ?? `exit status ${status}`})\n${said.slice(0, 100).join('\n')}`);
  process.exit(1);
}

const [given = '300', phase] = process.argv.slice(2);
const rounds = Number(given);
if (!Number.isInteger(rounds) || rounds < 20) {
  console.error('usage: node native/check.mjs [rounds]   (a whole number, at least 20)');
  process.exit(2);
}
if (phase) {
  await run(phase, rounds);
  process.exit();
}
for (const args of [[], ['--sanitize']]) if (node([here('build.mjs'), ...args]).status !== 0) process.exit(1);
const compiler = process.env.CXX ?? 'g++';
const library = spawnSync(compiler, ['-print-file-name=libasan.so'], { encoding: 'utf8' }).stdout.trim();
check('sanitized', rounds, {
  LD_PRELOAD: library,
  ASAN_OPTIONS: 'detect_leaks=1:fast_unwind_on_malloc=0',
  LSAN_OPTIONS: `suppressions=${here('lsan.supp')}:print_suppressions=0`,
  NIGHTRING_GPHOTO_ADDON: './build/sanitized/nightring_gphoto.node',
});
check('plain', rounds, {});
