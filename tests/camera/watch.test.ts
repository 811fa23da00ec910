/**
 * The whole chain: simulator's pictures → virtual camera → libgphoto2 → addon → camera process → command line,
 * against the same pictures measured as files.
 */
import { execFile } from 'node:child_process';
import { mkdtemp, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { closing, simulatedJpeg, virtualCamera } from './support.ts';
import { VirtualUsb } from './virtual/usb.ts';

type Line = Record<string, unknown>;

const root = fileURLToPath(new URL('../..', import.meta.url));

/** Runs the command as a user does; the lines it printed and its exit status. */
function nightring(...args: string[]): Promise<{ status: number; lines: Line[]; remarks: string }> {
  const env = { ...process.env, npm_config_update_notifier: 'false' }; // npm's own news is not ours
  return new Promise((resolve) =>
    execFile('npx', ['--no-install', 'nightring', ...args], { cwd: root, env }, (error, stdout, stderr) =>
      resolve({
        status: error ? Number(error.code) : 0,
        lines: stdout
          .split('\n')
          .filter(Boolean)
          .map((line) => JSON.parse(line)),
        remarks: stderr,
      }),
    ),
  );
}

/** What the picture alone decides. */
function reading({ file, frame, timeUtc, decodeMs, measureMs, ...rest }: Line): Line {
  return rest;
}

test('watching a camera gives exactly what measuring its pictures gives', async () => {
  const folder = await mkdtemp(join(tmpdir(), 'nightring-watch-'));
  const jpegs: Buffer[] = [];
  for (const dzUm of [-30, -12, 0, 9, 25])
    jpegs.push(await simulatedJpeg({ dzUm, maskRotationDeg: 24 + dzUm, seed: 50 + dzUm }));
  const files = await Promise.all(
    jpegs.map(async (jpeg, index) => {
      const file = join(folder, `${index}.jpg`);
      await writeFile(file, jpeg);
      return file;
    }),
  );
  const measured = await nightring('measure', '--json', ...files);
  expect(measured).toMatchObject({ status: 0, remarks: '' });
  expect(measured.lines.map(({ status }) => status)).toEqual(jpegs.map(() => 'measured'));

  // Faster than they can be measured: some are dropped, which must change no other.
  const virtual = await virtualCamera({
    async frame(index) {
      await sleep(10);
      return jpegs[index % jpegs.length];
    },
  });
  const watched = await nightring('watch', '--camera', virtual.port, '--frames', '25', '--json');
  expect(watched.remarks).toBe('');
  expect(watched.status).toBe(0);
  expect(watched.lines.map(({ frame }) => frame)).toEqual(Array.from({ length: 25 }, (_, index) => index + 1));
  const known = measured.lines.map(reading);
  for (const line of watched.lines) expect(known).toContainEqual(reading(line));
  // Not one picture over and over: neighbours differ unless exactly a whole cycle was dropped between them.
  expect(new Set(watched.lines.map(({ offsetPx }) => offsetPx)).size).toBeGreaterThan(2);
  const times = watched.lines.map(({ timeUtc }) => String(timeUtc));
  expect(times).toEqual([...times].sort());
});

test('a camera that is not there ends the watch with status 4 and one line that helps', async () => {
  const virtual = await virtualCamera();
  await virtual.unplug();
  const watched = await nightring('watch', '--camera', virtual.port, '--frames', '1', '--json');
  expect(watched.status).toBe(4);
  expect(watched.lines).toEqual([]);
  expect(watched.remarks.trim()).toMatch(/no camera answers at 'ptpip:[^\n]*$/);
});

test('a cable pulled and put back costs only a gap', async () => {
  const jpeg = await simulatedJpeg({ dzUm: 9 });
  const virtual = await virtualCamera({
    async frame(index) {
      await sleep(20);
      if (index === 10) setTimeout(() => virtual.unplug().then(() => virtual.plugIn()), 0);
      return jpeg;
    },
  });
  const watched = await nightring('watch', '--camera', virtual.port, '--frames', '20', '--json');
  expect(watched.status).toBe(0);
  expect(watched.lines).toHaveLength(20);
  const [first] = watched.lines;
  for (const line of watched.lines) expect(reading(line)).toEqual(reading(first));
  expect(virtual.requests.get(0x1002)).toBe(2); // opened once more
  expect(watched.remarks).toContain('cable');
});

test('what the library itself said of a camera is told to whoever asks for it', async () => {
  closing(new VirtualUsb('forbidden'));
  const plain = await nightring('watch', '--camera', 'usb', '--frames', '1');
  expect(plain.status).toBe(4);
  expect(plain.remarks).toMatch(/^nightring: .*usermod -aG plugdev.*\n$/);
  process.env.NIGHTRING_DEBUG = '1';
  const { remarks } = await nightring('watch', '--camera', 'usb', '--frames', '1');
  delete process.env.NIGHTRING_DEBUG;
  // The text of libgphoto2 2.5.30 (libgphoto2_port/libusb1/libusb1.c) with libusb's name of the error.
  expect(remarks).toMatch(/GphotoError: open:.*\(-\d+\)/);
  expect(remarks).toMatch(/log: .*LIBUSB_ERROR_ACCESS|log: .*[Aa]ccess denied/);
});
