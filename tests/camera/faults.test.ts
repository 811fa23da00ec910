/**
 * What goes wrong on a night, and what the host makes of it: the real libgphoto2 in a real camera process. Its
 * clocks run faster here; that the true ones say the same is in tests/host/camera.
 */
import { execFileSync } from 'node:child_process';
import { chmodSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { describe, expect, test } from 'vitest';
import type { CameraMessage } from '../../host/api.ts';
import { Camera, CLOCKS, type Clocks, findCameras, forkProcess, type Launch } from '../../host/cameras/camera.ts';
import { FREEING, freeCamera } from '../../host/cameras/free.ts';
import { withThumbnail } from '../support/encode.ts';
import { dialectFacts, refuse } from './dialects.ts';
import { closing, simulatedJpeg, smallJpegs, smallScene, until, virtualCamera } from './support.ts';
import type { Pictures } from './virtual/camera.ts';
import { Op, Rc } from './virtual/ptp.ts';
import { VirtualUsb } from './virtual/usb.ts';
import { OpA, PropA } from './virtual/vendor-0a.ts';
import { OpB, RcB } from './virtual/vendor-0b.ts';

/** A second of the countdown in 50 ms. */
const quick: Clocks = { ...CLOCKS, secondMs: 50 };
const never = new Promise(() => {});
/** Over many packets, of a length that is a multiple of theirs. */
const large = Buffer.concat([Buffer.of(0xff, 0xd8), Buffer.alloc(1_048_576 - 12 - 4, 0x5a), Buffer.of(0xff, 0xd9)]);

/** The host's camera, and everything it said of its state. */
function watch(name: string, clocks: Partial<Clocks> = {}) {
  const states: CameraMessage[] = [];
  const pids: number[] = [];
  const launch: Launch = (...on) => {
    const process = forkProcess(...on);
    pids.push(process.pid!);
    return process;
  };
  const camera = closing(new Camera(name, (state) => states.push(state), launch, { ...quick, ...clocks }));
  return {
    camera,
    states,
    pids,
    /** So many frames from now on. */
    async frames(count: number) {
      const frames = [];
      while (frames.length < count) frames.push((await camera.nextFrame())!);
      return frames;
    },
    /** The first thing said when it was lost, once it is. */
    async lost() {
      await until(() => states.some(({ state }) => state === 'lost'));
      return states.find(({ state }) => state === 'lost')!;
    },
    isRunning: () => until(() => camera.status.state === 'running'),
  };
}

const losses = (states: CameraMessage[]) => states.filter(({ state }) => state === 'lost').length;

/** Watches a new virtual camera that runs well at first. */
async function running(
  dialect: '0x0A' | '0x0B' = '0x0A',
  { pictures, ...clocks }: Partial<Clocks> & { pictures?: Pictures } = {},
) {
  const virtual = await virtualCamera(pictures, { dialect });
  const watched = watch(virtual.port, clocks);
  await watched.frames(2);
  return { virtual, ...watched };
}

/** Pictures of which some are spoilt. */
const spoilt = (from: number, count: number, bytes: Uint8Array): Pictures => ({
  frame: (index) => (index >= from && index < from + count ? bytes : smallJpegs[index % 5]),
});

describe.each(dialectFacts)('vendor $name', ({ name, op, fNumber, magnify, area, emptyBattery, fullBattery }) => {
  test('cable pulled in the middle of a picture and put back: settings and live view are as before', async () => {
    const { virtual, camera, frames, lost, isRunning } = await running(name);
    await camera.writeConfig(fNumber.setting, fNumber.written);
    const here = { ...virtual.state.area };
    await camera.writeConfig(magnify.setting, magnify.written);
    await camera.writeConfig(area.setting, area.written);
    const star = { ...virtual.state.area };
    expect(star).not.toEqual(here);
    virtual.inject(op.image, { kind: 'drop', afterBytes: 500 });
    await lost();
    await virtual.unplug();
    expect(await lost()).toMatchObject({ code: 'lost', retryInS: 1, message: expect.stringContaining('cable') });
    // Switched off meanwhile, it forgot everything.
    virtual.turn(fNumber.code, virtual.property(fNumber.code)!.choices![0]);
    if (name === '0x0A') virtual.turn(PropA.magnification, 0);
    virtual.state.area = here;
    expect(virtual.state.magnification).toBe(1);
    await virtual.plugIn();
    await isRunning();
    const [first, second] = await frames(2);
    expect(second.sequence).toBeGreaterThan(first.sequence);
    expect(virtual.property(fNumber.code)!.value).toBe(fNumber.raw);
    expect(virtual.state.magnification).toBe(magnify.times);
    expect(virtual.state.area).toEqual(star);
  });

  test('an answer that does not come: the connection is made anew', async () => {
    const { virtual, frames, lost } = await running(name);
    virtual.inject(op.image, { kind: 'stall', until: never });
    expect(await lost()).toMatchObject({ code: 'timeout', retryInS: 1 });
    await frames(2);
  });

  test('an answer that comes ten seconds late: the new connection is not troubled by it', async () => {
    const { virtual, states, frames, lost } = await running(name);
    const late = sleep(10_000);
    virtual.inject(op.image, { kind: 'stall', until: late });
    expect(await lost()).toMatchObject({ code: 'timeout', retryInS: 1 });
    await frames(2);
    await late;
    await frames(10);
    expect(states.filter(({ state }, i) => state === 'lost' && states[i - 1].state !== 'lost')).toHaveLength(1);
  });

  test('battery empty at the start, changed later', async () => {
    const virtual = await virtualCamera(undefined, { dialect: name });
    emptyBattery(virtual);
    const { frames, lost } = watch(virtual.port);
    expect(await lost()).toMatchObject({ code: 'refused', message: expect.stringMatching(/battery .*charged one/) });
    fullBattery(virtual);
    await frames(2);
  });
});

describe('the connection', () => {
  test('camera off for a while: tried again after growing waits', async () => {
    const { virtual, states, frames } = await running();
    await virtual.unplug();
    await until(() => states.some(({ retryInS }) => retryInS === 4));
    const waits = states.filter(({ state }, i) => state === 'lost' && states[i - 1].state !== 'lost');
    expect(waits.map(({ retryInS }) => retryInS)).toEqual([1, 2, 4]);
    expect(waits[2]).toMatchObject({ code: 'not-found', message: expect.stringContaining('no camera answers') });
    await virtual.plugIn();
    await frames(2);
  });

  test('connects and then says nothing', async () => {
    const virtual = await virtualCamera();
    virtual.inject(Op.getDeviceInfo, { kind: 'stall', until: never });
    const { frames, lost } = watch(virtual.port);
    expect(await lost()).toMatchObject({ code: 'not-found', message: expect.stringContaining('no camera answers') });
    await frames(2);
  });

  test('the camera restarted itself and knows of no session', async () => {
    const { virtual, frames, lost } = await running();
    virtual.inject(OpA.getLiveViewImage, { kind: 'respond', code: 0x2003 }, { times: 1000 });
    expect(await lost()).toMatchObject({ message: expect.stringContaining('switch it off and on') });
    virtual.clearFaults();
    await frames(2);
  });

  test('two cameras: one is pulled, the other goes on', async () => {
    const [one, other] = [await running('0x0A'), await running('0x0B')];
    await one.virtual.unplug();
    await one.lost();
    await other.frames(5);
    expect(losses(other.states)).toBe(0);
    await one.virtual.plugIn();
    await one.frames(2);
  });

  test('one picture a second is slow, and no fault', async () => {
    const pictures: Pictures = { frame: async (index) => sleep(1000).then(() => smallJpegs[index % 5]) };
    const { states, frames } = await running('0x0A', { pictures, stallMs: 2500 });
    await frames(2);
    expect(losses(states)).toBe(0);
  });
});

describe('what the camera sends', () => {
  const whole = (frames: { bytes: Uint8Array }[]) =>
    frames.every(({ bytes }) => smallJpegs.some((jpeg) => jpeg.equals(bytes)));

  test('half a picture, one without its beginning, garbage, nothing: asked for again, never shown', async () => {
    const [jpeg] = smallJpegs;
    const bad = [
      jpeg.subarray(0, jpeg.length / 2),
      withThumbnail(jpeg, jpeg).subarray(0, -jpeg.length / 2),
      jpeg.subarray(600),
      Buffer.alloc(3000, 0x5a),
      Buffer.alloc(0),
      Buffer.of(0xff),
    ];
    const pictures: Pictures = { frame: (index) => bad[index - 3] ?? smallJpegs[index % 5] };
    const { virtual, states, frames } = await running('0x0B', { pictures });
    await until(() => virtual.framesServed > 8);
    expect(whole(await frames(6))).toBe(true);
    expect(losses(states)).toBe(0);
  });

  test('garbage without end: said, and tried anew', async () => {
    const { virtual, frames, lost } = await running('0x0B', { pictures: spoilt(3, 15, Buffer.alloc(3000, 0x5a)) });
    expect(await lost()).toMatchObject({ code: 'bad-data', message: expect.stringContaining('check the cable') });
    expect(whole(await frames(2))).toBe(true);
    expect(virtual.framesServed).toBeGreaterThan(18);
  });

  test('pictures of another size in the middle: passed on as they are', async () => {
    const large = await simulatedJpeg({ ...smallScene, widthPx: 320, heightPx: 200 });
    const { states, frames } = await running('0x0A', { pictures: spoilt(3, 1000, large) });
    expect(large.equals((await frames(8)).at(-1)!.bytes)).toBe(true);
    expect(losses(states)).toBe(0);
  });

  // camera_capture_preview in libgphoto2 2.5.30 gets past neither.
  test.each([
    ['of length 0', 0],
    ['longer than all that came', 1_000_000],
  ])('a part %s, over which the driver turns in circles for ever: its process is ended', async (_, length) => {
    const { virtual, pids, frames, lost } = await running('0x0B', { stallMs: 600 });
    const bytes = Buffer.alloc(64, 1);
    bytes.writeUInt32LE(length, 0);
    bytes.writeUInt32LE(length === 0 ? 0 : 1, 4);
    virtual.inject(OpB.getLiveViewImage, { kind: 'data', bytes });
    expect(await lost()).toMatchObject({ code: 'timeout', message: expect.stringContaining('no pictures') });
    await until(() => isGone(pids[0]));
    await frames(2);
  });

  test('busy for a moment: asked again', async () => {
    const { virtual, states, frames } = await running();
    virtual.inject(OpA.getLiveViewImage, { kind: 'respond', code: Rc.deviceBusy }, { times: 50 });
    await until(() => virtual.requests.get(OpA.getLiveViewImage)! > 55);
    await frames(2);
    expect(losses(states)).toBe(0);
  });

  test('busy without end: said, and tried anew', async () => {
    const { virtual, frames, lost } = await running();
    virtual.inject(OpA.getLiveViewImage, { kind: 'respond', code: Rc.deviceBusy }, { times: 100_000 });
    expect(await lost()).toMatchObject({ code: 'busy', message: expect.stringContaining('is busy') });
    virtual.clearFaults();
    await frames(2);
  });
});

// The 16 reasons of vendor 0x0A are in source.test.
test('live view refused by vendor 0x0B for one reason after the other', async () => {
  const virtual = await virtualCamera(undefined, { dialect: '0x0B' });
  const reasons: [number, RegExp][] = [
    [RcB.lensCovered, /lens is covered; take the cap off/],
    [RcB.refused, /turn its mode dial to M, switch live view on in its menu/],
    [RcB.notReady, /it is not ready; switch live view on in its menu/],
    [RcB.exposing, /an exposure is running; wait until it has ended/],
    [RcB.otherScreen, /it shows pictures or its menu; leave that/],
  ];
  refuse(virtual, reasons[0][0]);
  const { camera, frames } = watch(virtual.port);
  for (const [code, words] of reasons) {
    refuse(virtual, code);
    await until(() => words.test(camera.status.message));
    expect(camera.status).toMatchObject({ state: 'lost', code: 'refused' });
  }
  refuse(virtual, null);
  await frames(1);
});

describe('who else holds it', () => {
  test('another program, over the network; free again', async () => {
    const virtual = await virtualCamera();
    virtual.takenByAnother(true);
    const { lost, frames } = watch(virtual.port);
    expect(await lost()).toMatchObject({ code: 'in-use', message: expect.stringContaining('refuses the connection') });
    virtual.takenByAnother(false);
    await frames(2);
  });

  test("the desktop's mounter, on USB: names the command, runs it, and the camera runs at once", async () => {
    const usb = closing(new VirtualUsb('held'));
    const { camera, lost, frames } = watch('usb', { secondMs: 1_000_000 });
    expect(await lost()).toMatchObject({ code: 'in-use', message: expect.stringContaining(FREEING) });
    // What the desktop would do, done by a stand-in.
    const virtual = await virtualCamera();
    withProgram('gio', `[ "$*" = "mount -s gphoto2" ] && printf '${virtual.onUsb()}' > ${usb.file}`);
    await freeCamera();
    camera.retryNow();
    await frames(2);
  });

  test('and when the command does not help', async () => {
    withProgram('gio', 'echo "gio: not mounted" >&2; exit 2');
    await expect(freeCamera()).rejects.toMatchObject({
      code: 'in-use',
      message: expect.stringMatching(/did not help \(gio: not mounted\); close the program/),
    });
    process.env.PATH = '/nowhere';
    await expect(freeCamera()).rejects.toMatchObject({ message: expect.stringContaining('there is no "gio" here') });
  });
});

describe('USB', () => {
  test.each([
    ['forbidden', 'permission', /usermod -aG plugdev .*udev rules/],
    ['absent', 'not-found', /connect it, switch it on, set its USB mode to PTP/],
    ['gone', 'not-found', /connect it, switch it on/],
    ['crash', 'lost', /the camera process ended by itself/],
  ] as const)('%s', async (state, code, words) => {
    closing(new VirtualUsb(state));
    const { lost } = watch('usb', { secondMs: 1_000_000 });
    expect(await lost()).toMatchObject({ code, retryInS: 1, message: expect.stringMatching(words) });
  });
});

test('a camera on USB is found, and not disturbed by being looked for while it is open', async () => {
  const virtual = await virtualCamera();
  closing(new VirtualUsb(virtual.onUsb(7)));
  const { states, frames } = watch('usb');
  await frames(2);
  const found = await findCameras();
  expect(found.map(({ name }) => name)).toEqual(['sim', 'usb:001,007']);
  expect(found[1].label).toMatch(/PTP/);
  await frames(2);
  expect(losses(states)).toBe(0);
  expect(virtual.requests.get(Op.openSession)).toBe(1);
});

describe.each(dialectFacts)('vendor $name on USB', ({ name, op, fNumber, magnify, drive }) => {
  /** The virtual camera at the end of a cable. */
  async function onUsb(pictures?: Pictures, port = 'usb', clocks: Partial<Clocks> = {}) {
    const virtual = await virtualCamera(pictures, { dialect: name });
    const usb = closing(new VirtualUsb(virtual.onUsb()));
    return { virtual, usb, ...watch(port, clocks) };
  }

  /** As strong as it goes; on USB the driver names the ratios of a body it does not know by their codes. */
  async function magnified(camera: Camera): Promise<void> {
    const setting = (await camera.readConfig()).find(({ name }) => name === magnify.setting);
    await camera.writeConfig(magnify.setting, setting?.choices?.at(-1) ?? magnify.written);
  }

  test('live view, settings, magnification, focus motor and photographs go through', async () => {
    const { virtual, camera, states, frames } = await onUsb({ frame: (i) => smallJpegs[i % 5], still: () => large });
    for (const { bytes } of await frames(5)) expect(smallJpegs.some((jpeg) => jpeg.equals(bytes))).toBe(true);
    await camera.writeConfig(fNumber.setting, fNumber.written);
    expect(virtual.property(fNumber.code)?.value).toBe(fNumber.raw);
    const config = await camera.readConfig();
    expect(config.find(({ name }) => name === fNumber.setting)?.value).toBe(fNumber.written);
    await magnified(camera);
    expect(virtual.state.magnification).toBe(magnify.times);
    for (const write of drive.writes) await camera.writeConfig('manualfocusdrive', write);
    expect(virtual.state.focusSteps).toBe(drive.steps);
    expect(large.equals((await camera.capture()).bytes)).toBe(true);
    await frames(2);
    expect(losses(states)).toBe(0);
  });

  // The driver itself waits for 20 s and more.
  test('an answer that does not come: the process is ended, another one started', async () => {
    const { virtual, pids, frames, lost } = await onUsb(undefined, 'usb', { stallMs: 1000 });
    await frames(2);
    virtual.inject(op.image, { kind: 'stall', until: never });
    expect(await lost()).toMatchObject({ code: 'timeout', message: expect.stringContaining('no pictures') });
    await until(() => isGone(pids[0]));
    await frames(2);
  });

  test('cable pulled in the middle of a picture, put back: another device number, settings as before', async () => {
    const { virtual, usb, camera, lost, frames } = await onUsb(undefined, 'usb:001,004');
    await frames(2);
    await magnified(camera);
    virtual.inject(op.image, { kind: 'drop', afterBytes: 500 });
    usb.set('absent');
    expect(await lost()).toMatchObject({ code: 'lost', message: expect.stringContaining('check the cable') });
    await virtual.unplug();
    await until(() => camera.status.code === 'not-found');
    await virtual.plugIn();
    usb.set(virtual.onUsb(9));
    await until(() => camera.status.state === 'running');
    await frames(2);
    expect(virtual.state.magnification).toBe(magnify.times);
  });
});

test('the body is gone and another one is there: not taken for it, and said; the first one back is', async () => {
  const [first, second] = [await virtualCamera(), await virtualCamera(undefined, { serialNumber: '0002' })];
  const usb = closing(new VirtualUsb(first.onUsb()));
  const { camera, lost, frames } = watch('usb:001,004');
  await frames(2);
  await camera.writeConfig('f-number', 'f/8');
  first.inject(OpA.getLiveViewImage, { kind: 'drop', afterBytes: 500 });
  usb.set(second.onUsb(5));
  await lost();
  await until(() => /another camera/.test(camera.status.message));
  expect(second.requests.get(Op.setPropValue)).toBeUndefined();
  usb.set(first.onUsb(6));
  await until(() => camera.status.state === 'running');
  await frames(2);
});

describe('the camera process', () => {
  test.each(['SIGSEGV', 'SIGKILL'] as const)('ended by %s: another one takes over', async (signal) => {
    const { camera, pids, frames, lost } = await running('0x0A');
    await camera.writeConfig('f-number', 'f/8');
    const [before] = await frames(1);
    process.kill(pids[0], signal);
    expect(await lost()).toMatchObject({ code: 'lost', retryInS: 1 });
    const [after] = await frames(1);
    expect(after.sequence).toBeGreaterThan(before.sequence);
    expect(pids).toHaveLength(2);
  });

  test('hanging: ended and replaced', async () => {
    const { pids, frames, lost } = await running('0x0A', { silenceMs: 2500 });
    process.kill(pids[0], 'SIGSTOP');
    expect(await lost()).toMatchObject({ code: 'timeout', message: expect.stringContaining('hangs') });
    await until(() => isGone(pids[0]));
    await frames(1);
  });
});

describe('what is not installed', () => {
  test('the addon', async () => {
    process.env.NIGHTRING_GPHOTO_ADDON = '/nonexistent.node';
    const virtual = await virtualCamera();
    const { camera, lost, frames } = watch(virtual.port);
    const said = await lost();
    expect(said).toMatchObject({ code: 'missing-library', message: expect.stringContaining('node native/build.mjs') });
    expect(said.retryInS).toBeUndefined();
    delete process.env.NIGHTRING_GPHOTO_ADDON;
    camera.retryNow(); // as after installing it
    await frames(1);
  });

  test('libgphoto2', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'nightring-missing-'));
    const [library, addon] = [join(folder, 'libgphoto2.so.6'), join(folder, 'addon.node')];
    const compile = (...args: string[]) => execFileSync('gcc', ['-shared', '-x', 'c', '-o', ...args], { input: '' });
    compile(library, '-', '-Wl,-soname,libgphoto2.so.missing');
    compile(addon, '-', '-Wl,--no-as-needed', '-x', 'none', library);
    rmSync(library);
    process.env.NIGHTRING_GPHOTO_ADDON = addon;
    const { lost } = watch('usb');
    const said = await lost();
    delete process.env.NIGHTRING_GPHOTO_ADDON;
    expect(said).toMatchObject({
      code: 'missing-library',
      message: expect.stringContaining('sudo apt install libgphoto2-6'),
    });
  });
});

test('the focus motor at its end: said, and live view goes on', async () => {
  const { camera, states, frames } = await running('0x0A');
  await expect(camera.writeConfig('manualfocusdrive', '30000')).rejects.toMatchObject({ code: 'at-limit' });
  await frames(2);
  expect(losses(states)).toBe(0);
});

test('a photograph that fails, a setting that is not taken: said, and live view goes on', async () => {
  const { virtual, camera, states, frames } = await running('0x0B');
  virtual.inject(OpB.pressRelease, { kind: 'respond', code: Rc.generalError });
  await expect(camera.capture()).rejects.toMatchObject({ name: 'CameraError', code: 'other' });
  await expect(camera.writeConfig('focusmode', 'Manual')).rejects.toMatchObject({
    code: 'refused',
    message: expect.stringContaining('change it on the body'),
  });
  await frames(2);
  expect(losses(states)).toBe(0);
});

function isGone(pid: number): boolean {
  try {
    process.kill(pid, 0);
    return false;
  } catch {
    return true;
  }
}

/** A program of this name before all others, as long as the test runs. */
function withProgram(name: string, script: string): void {
  const folder = mkdtempSync(join(tmpdir(), 'nightring-path-'));
  writeFileSync(join(folder, name), `#!/bin/sh\n${script}\n`);
  chmodSync(join(folder, name), 0o755);
  const before = process.env.PATH;
  process.env.PATH = `${folder}:${before}`;
  closing({
    async close() {
      process.env.PATH = before;
    },
  });
}
