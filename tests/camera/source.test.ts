/** A libgphoto2 camera as a source of frames: the real library against the virtual camera. */
import { execFile } from 'node:child_process';
import { describe, expect, test } from 'vitest';
import type { Frame } from '../../core/frame.ts';
import { Events, openGphoto } from '../../host/cameras/gphoto.ts';
import { toCameraError } from '../../host/cameras/gphoto-errors.ts';
import { CameraError } from '../../host/cameras/source.ts';
import { GP, GphotoError, openCamera } from '../../native/index.ts';
import { closing, gate, smallJpegs, until, virtualCamera } from './support.ts';
import { Rc } from './virtual/ptp.ts';
import { OpA, PropA } from './virtual/vendor-0a.ts';
import { PropB } from './virtual/vendor-0b.ts';

const open = async (port: string) => closing(await openGphoto(port));

async function failure(call: Promise<unknown>): Promise<CameraError> {
  const error = await call.then(
    () => null,
    (reason) => reason,
  );
  expect(error).toBeInstanceOf(CameraError);
  expect(error.message).not.toContain('\n');
  return error;
}

/** Starts live view and collects what comes. */
async function collect(source: Awaited<ReturnType<typeof openGphoto>>) {
  const frames: Frame[] = [];
  const ends: (CameraError | null)[] = [];
  await source.start(
    (frame) => {
      frames.push(frame);
    },
    (why) => ends.push(why),
  );
  return { frames, ends };
}

describe('live view', () => {
  test('frames come numbered, timed and unchanged', async () => {
    const source = await open((await virtualCamera()).port);
    const { frames } = await collect(source);
    await until(() => frames.length >= 8);
    await source.close();
    frames.forEach(({ sequence, bytes, timeUtc, mode }, index) => {
      expect(sequence).toBe(index);
      expect(Buffer.from(bytes)).toEqual(smallJpegs[index % smallJpegs.length]);
      expect(new Date(timeUtc).toISOString()).toBe(timeUtc);
      expect(mode).toEqual({ kind: 'live', magnification: 1, pixelUm: null });
    });
    expect(frames.map(({ timeUtc }) => timeUtc)).toEqual(frames.map(({ timeUtc }) => timeUtc).sort());
  });

  test('says when the magnification is no longer that of the whole field', async () => {
    const source = await open((await virtualCamera()).port);
    const { frames } = await collect(source);
    await source.writeConfig('liveviewimagezoomratio', '100%');
    const seen = frames.length;
    await until(() => frames.length > seen + 1);
    expect(frames.at(-1)?.mode.magnification).toBeNull();
  });

  test('outlasts a busy camera, garbage and passing errors', async () => {
    const virtual = await virtualCamera();
    virtual.inject(OpA.getLiveViewImage, { kind: 'respond', code: Rc.deviceBusy }, { skip: 3, times: 50 });
    virtual.inject(OpA.getLiveViewImage, { kind: 'data', bytes: Buffer.alloc(3000, 7) }, { times: 2 });
    virtual.inject(OpA.getLiveViewImage, { kind: 'respond', code: Rc.generalError }, { times: 2 });
    const source = await open(virtual.port);
    const { frames, ends } = await collect(source);
    await until(() => frames.length >= 10);
    expect(ends).toEqual([]);
    expect(frames.map(({ sequence }) => sequence)).toEqual(frames.map((_, index) => index));
  });

  test('ends once, as lost, when the cable is pulled; works again when it is back', async () => {
    const virtual = await virtualCamera();
    const source = await open(virtual.port);
    const { frames, ends } = await collect(source);
    await until(() => frames.length > 2);
    await virtual.unplug();
    await until(() => ends.length > 0);
    expect(ends).toMatchObject([{ name: 'CameraError', code: 'lost', message: expect.stringContaining('cable') }]);
    await source.close();
    await virtual.plugIn();
    const again = await collect(await open(virtual.port));
    await until(() => again.frames.length > 2);
    expect(ends).toHaveLength(1);
  });

  test('ends, as a timeout, when the camera stops answering', async () => {
    const virtual = await virtualCamera();
    const source = await open(virtual.port);
    const { ends } = await collect(source);
    const { open: release, opened } = gate();
    virtual.inject(OpA.getLiveViewImage, { kind: 'stall', until: opened });
    await until(() => ends.length > 0);
    release();
    expect(ends).toMatchObject([{ code: 'timeout' }]);
  });

  test('ends without a word when closed', async () => {
    const source = await open((await virtualCamera()).port);
    const { frames, ends } = await collect(source);
    await source.close();
    const seen = frames.length;
    for (let turn = 0; turn < 100; turn++) await new Promise((resolve) => setImmediate(resolve));
    expect([frames.length, ends]).toEqual([seen, []]);
    expect(await failure(source.readConfig())).toMatchObject({ code: 'closed' });
  });
});

describe('what the camera has to tell of itself', () => {
  /** Says three things of itself with each picture, as bodies do in live view. */
  async function talkative() {
    const frame = (index: number) => {
      for (let i = 0; i < 3; i++) virtual.turn(PropB.battery, index % 4);
      return smallJpegs[index % 5];
    };
    const virtual = await virtualCamera({ frame }, { dialect: '0x0B' });
    return virtual;
  }

  test.each([true, false])('does not pile up in the library (taken: %s)', async (taken) => {
    const camera = closing(await openCamera({ port: (await talkative()).port }));
    const events = new Events(camera, 0);
    for (let picture = 0; picture < 60; picture++) {
      await camera.frame();
      if (taken) await events.take();
    }
    let left = 0;
    while ((await camera.waitEvent(1)).type !== 'timeout') left++;
    // Without, all are left: what is checked above is no triviality.
    if (taken) expect(left).toBeLessThan(20);
    else expect(left).toBeGreaterThanOrEqual(180);
  });

  test.each(['0x0A', '0x0B'] as const)(
    'a picture taken by hand is not given for a test shot, in dialect %s',
    async (dialect) => {
      let taken = 0;
      const still = () => smallJpegs[taken++ % 5];
      const virtual = await virtualCamera({ frame: (index) => smallJpegs[index % 5], still }, { dialect });
      const source = await open(virtual.port);
      await source.writeConfig('capturetarget', 'Memory card');
      try {
        for (let shot = 0; shot < 3; shot++) {
          await virtual.pressShutter();
          const { bytes } = await source.capture();
          expect(Buffer.from(bytes)).toEqual(smallJpegs[(taken - 1) % 5]);
        }
      } finally {
        await source.writeConfig('capturetarget', 'Internal RAM'); // the library remembers it for all cameras
      }
    },
  );

  test('is asked for while live view runs', async () => {
    const virtual = await virtualCamera();
    const { frames } = await collect(await open(virtual.port));
    await until(() => frames.length > 5);
    expect(virtual.requests.get(OpA.getEvents)).toBeGreaterThan(0);
  });
});

test('magnification turned on the body itself is noticed', async () => {
  const virtual = await virtualCamera();
  const { frames } = await collect(await open(virtual.port));
  await until(() => frames.length > 2);
  expect(frames.at(-1)!.mode.magnification).toBe(1);
  virtual.turn(PropA.magnification, 5);
  await until(() => frames.at(-1)!.mode.magnification === null);
});

test('settings and photographs go through', async () => {
  const virtual = await virtualCamera({ frame: (index) => smallJpegs[index % 5], still: () => smallJpegs[2] });
  const source = await open(virtual.port);
  const { frames } = await collect(source);
  await source.writeConfig('f-number', 'f/4');
  const config = await source.readConfig();
  expect(new Set(config.map(({ name }) => name)).size).toBe(config.length);
  expect(config.find(({ name }) => name === 'f-number')).toMatchObject({ type: 'choice', value: 'f/4' });
  const still = await source.capture();
  expect(Buffer.from(still.bytes)).toEqual(smallJpegs[2]);
  expect(still.mode.kind).toBe('still');
  const seen = frames.length;
  await until(() => frames.length > seen);
  expect(await failure(source.writeConfig('f-number', 'f/99'))).toMatchObject({
    code: 'refused',
    message: expect.stringContaining('f/2.8, f/4'),
  });
});

describe('what goes wrong is said in words that help', () => {
  // Bits: libgphoto2 2.5.30, camlibs/ptp2/library.c, camera_capture_preview.
  test.each([
    [8, /battery is empty/],
    [17, /too warm/],
    [9, /light meter/],
    [22, /mirror/],
    [5, /aperture ring/],
    [15, /works on a picture/],
    [2, /in the middle of something/],
    [31, /mode dial/],
    [21, /bulb/],
    [20, /not formatted/],
    [19, /cannot read its card/],
    [18, /write-protected/],
    [14, /no card to write to/],
    [12, /nobody fetched/],
    [4, /shutter button/],
    [30, /code 0x40000000/],
  ])('live view prohibited, condition bit %i', async (bit, words) => {
    const virtual = await virtualCamera();
    virtual.turn(0xd1a4, (1 << bit) >>> 0);
    const error = await failure(collect(await open(virtual.port)));
    expect(error.code).toBe('refused');
    expect(error.message).toMatch(words);
  });

  test('nothing at the address, no such address, no USB camera', async () => {
    const virtual = await virtualCamera();
    await virtual.unplug();
    expect(await failure(openGphoto(virtual.port))).toMatchObject({
      code: 'not-found',
      message: expect.stringContaining('no camera answers'),
    });
    expect(await failure(openGphoto('ptpip:camera.local'))).toMatchObject({
      code: 'not-found',
      message: expect.stringContaining('numeric address'),
    });
    expect(await failure(openGphoto('usb:250,250'))).toMatchObject({
      code: 'not-found',
      message: expect.stringContaining('switch it on'),
    });
    expect(await failure(openGphoto('nowhere'))).toMatchObject({ code: 'not-found' });
  });

  test('taken by another program, over the network', async () => {
    const virtual = await virtualCamera();
    virtual.takenByAnother(true);
    expect(await failure(openGphoto(virtual.port))).toMatchObject({
      code: 'in-use',
      message: expect.stringContaining('refuses the connection'),
    });
  });

  // There is no USB here; the texts are those of libgphoto2 2.5.30, libgphoto2_port/libusb1/libusb1.c.
  test.each([
    [
      GP.IO_USB_CLAIM,
      'Could not claim interface 0 (Device or resource busy). Make sure no other program (gvfs-gphoto2-volume-monitor) ' +
        'or kernel module (such as sdc2xx, stv680, spca50x) is using the device and you have read/write access to the device.',
      'in-use',
      'gio mount -s gphoto2',
    ],
    [GP.IO, 'Access denied (insufficient permissions)', 'permission', 'plugdev'],
    [GP.IO_USB_FIND, 'Could not find the requested device on the USB port', 'not-found', 'switch it on'],
  ])('opening by USB: %i %s', (code, text, kind, words) => {
    const error = toCameraError(new GphotoError(code, 'open', text), 'usb:001,004');
    expect(error.code).toBe(kind);
    expect(error.message).toContain(words);
  });

  test('addon not built', async () => {
    const script = `import { openGphoto } from '${new URL('../../host/cameras/gphoto.ts', import.meta.url).href}';
      await openGphoto('usb').catch(({ code, message }) => console.log(code + ': ' + message));`;
    const output = await new Promise((resolve, reject) =>
      execFile(
        process.execPath,
        ['--input-type=module', '-e', script],
        { env: { ...process.env, NIGHTRING_GPHOTO_ADDON: '/nonexistent.node' } },
        (error, stdout) => (error ? reject(error) : resolve(stdout)),
      ),
    );
    expect(output).toMatch(/^missing-library: .*sudo apt install libgphoto2-dev/);
  });
});
