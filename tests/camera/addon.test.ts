/**
 * The addon with the real libgphoto2 against the virtual camera. Reference for the protocol is the library
 * itself: it implements ISO 15740 (PTP) over CIPA DC-005 (PTP/IP) independently of us.
 * The camera and the test share one event loop, so every picture that arrives shows that a call does not block it.
 */
import { execFile } from 'node:child_process';
import { fstatSync } from 'node:fs';
import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';
import { Worker } from 'node:worker_threads';
import { describe, expect, test } from 'vitest';
import { type CameraSetting, GP, GphotoError, listCameras, listPorts, openCamera } from '../../native/index.ts';
import { closing, gate, smallJpegs, until, virtualCamera } from './support.ts';
import { Op, Rc } from './virtual/ptp.ts';
import { OpA } from './virtual/vendor-0a.ts';

const open = async (port: string) => closing(await openCamera({ port }));
const nativeUrl = new URL('../../native/index.ts', import.meta.url).href;

/** The error of a call that must fail. */
async function failure(call: Promise<unknown>): Promise<GphotoError> {
  const error = await call.then(
    () => null,
    (reason) => reason,
  );
  expect(error).toBeInstanceOf(GphotoError);
  return error;
}

async function setting(camera: { config(): Promise<CameraSetting[]> }, name: string): Promise<CameraSetting> {
  const found = (await camera.config()).filter((one) => one.name === name);
  expect(found).toHaveLength(1);
  return found[0];
}

describe('finding cameras', () => {
  test('lists ports with their kind', async () => {
    expect(await listPorts()).toContainEqual({ path: 'ptpip:', name: 'PTP/IP Connection', type: 'ptpip' });
  });

  test('lists only cameras at a real USB port', async () => {
    for (const { model, port } of await listCameras()) {
      expect(model).not.toBe('');
      expect(port).toMatch(/^usb:\d+,\d+$/);
    }
  });

  test('says when nothing is at the port', async () => {
    expect(await failure(openCamera({ port: 'usb:250,250' }))).toMatchObject({
      code: GP.MODEL_NOT_FOUND,
      operation: 'open',
    });
    const camera = await virtualCamera();
    const { port } = camera;
    await camera.unplug();
    expect(await failure(openCamera({ port }))).toMatchObject({ code: GP.IO, operation: 'open' });
  });

  test('says when port or model is no such thing', async () => {
    expect(await failure(openCamera({ port: 'nowhere:1', model: 'PTP/IP Camera' }))).toMatchObject({
      code: GP.UNKNOWN_PORT,
    });
    expect((await failure(openCamera({ port: 'ptpip:1.2.3.4', model: 'no such' }))).text).toContain('no such');
  });

  test('says when the camera refuses', async () => {
    const camera = await virtualCamera();
    camera.takenByAnother(true);
    expect(await failure(openCamera({ port: camera.port }))).toMatchObject({ code: GP.ERROR, operation: 'open' });
    camera.takenByAnother(false);
    await open(camera.port);
  });
});

describe('live view', () => {
  test('delivers the very bytes the camera sent, in order', async () => {
    const camera = await open((await virtualCamera()).port);
    for (let index = 0; index < 12; index++)
      expect((await camera.frame()).bytes).toEqual(smallJpegs[index % smallJpegs.length]);
  });

  test('carries pictures of a megabyte, over many packets', async () => {
    const large = Buffer.concat([Buffer.of(0xff, 0xd8), Buffer.alloc(1_000_003, 0x5a), Buffer.of(0xff, 0xd9)]);
    const camera = await open((await virtualCamera({ frame: () => large })).port);
    expect((await camera.frame()).bytes.equals(large)).toBe(true);
  });

  test('asks a busy camera again, and says so when it stays busy', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    // library.c, camera_capture_preview: 20 tries, 10 ms apart
    virtual.inject(OpA.getLiveViewImage, { kind: 'respond', code: Rc.deviceBusy }, { times: 19 });
    expect((await camera.frame()).bytes).toEqual(smallJpegs[1]);
    virtual.inject(OpA.getLiveViewImage, { kind: 'respond', code: Rc.deviceBusy }, { times: 20 });
    expect(await failure(camera.frame())).toMatchObject({ code: GP.CAMERA_BUSY, operation: 'frame' });
    expect((await camera.frame()).bytes).toEqual(smallJpegs[2]);
  });

  test('gives the reason why live view may not start', async () => {
    const virtual = await virtualCamera();
    virtual.turn(0xd1a4, 1 << 8);
    const camera = await open(virtual.port);
    expect((await failure(camera.frame())).text).toContain('Battery exhausted');
    virtual.turn(0xd1a4, 0);
    expect((await camera.frame()).bytes).toEqual(smallJpegs[0]);
  });

  test('tells garbage from a picture and goes on', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    virtual.inject(OpA.getLiveViewImage, { kind: 'data', bytes: Buffer.alloc(5000, 0x11) });
    expect((await failure(camera.frame())).text).toContain('JPEG');
    expect((await camera.frame()).bytes).toEqual(smallJpegs[2]);
  });

  test('fails when the cable goes in the middle of a picture; a new camera object works again', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    virtual.inject(OpA.getLiveViewImage, { kind: 'drop', afterBytes: 1000 });
    expect(await failure(camera.frame())).toMatchObject({ operation: 'frame' });
    await virtual.unplug();
    await failure(camera.frame());
    await camera.close();
    await virtual.plugIn();
    expect((await (await open(virtual.port)).frame()).bytes).toEqual(smallJpegs[2]);
  });

  test('serves two cameras at once', async () => {
    const virtuals = [await virtualCamera(), await virtualCamera({ frame: (i) => smallJpegs[4 - (i % 5)] })];
    const [first, second] = await Promise.all(virtuals.map(({ port }) => open(port)));
    for (let index = 0; index < 5; index++) {
      const [a, b] = await Promise.all([first.frame(), second.frame()]);
      expect(a.bytes).toEqual(smallJpegs[index]);
      expect(b.bytes).toEqual(smallJpegs[4 - index]);
    }
  });

  test('a camera that answers is not held up by one that does not', async () => {
    const virtuals = [await virtualCamera(), await virtualCamera()];
    const [stuck, good] = await Promise.all(virtuals.map(({ port }) => open(port)));
    await stuck.frame();
    const { open: release, opened } = gate();
    virtuals[0].inject(OpA.getLiveViewImage, { kind: 'stall', until: opened });
    const order: string[] = [];
    const waiting = stuck.frame().then(() => order.push('stuck'));
    for (let index = 0; index < 5; index++) await good.frame();
    order.push('good');
    release();
    await waiting;
    expect(order).toEqual(['good', 'stuck']);
  });
});

describe('configuration', () => {
  test('reads types, ranges and choices', async () => {
    const camera = await open((await virtualCamera()).port);
    // Units of the standard (ISO 15740): f-number in hundredths, focal length in hundredths of a millimetre.
    expect(await setting(camera, 'f-number')).toEqual({
      path: '/main/capturesettings/f-number',
      name: 'f-number',
      label: 'F-Number',
      type: 'choice',
      value: 'f/2.8',
      readOnly: false,
      choices: ['f/2.8', 'f/4', 'f/5.6', 'f/8'],
    });
    expect(await setting(camera, 'focallength')).toMatchObject({
      type: 'range',
      value: '24',
      readOnly: true,
      range: { min: 14, max: 50, step: 1 },
    });
    expect(await setting(camera, 'viewfinder')).toMatchObject({ type: 'toggle', value: '0' });
    expect(await setting(camera, 'cameramodel')).toMatchObject({ type: 'text', value: 'Night Ring Test Camera' });
    expect(await setting(camera, 'batterylevel')).toMatchObject({ value: '80%', readOnly: true });
    expect(await setting(camera, 'datetime')).toMatchObject({ type: 'date', value: expect.stringMatching(/^\d+$/) });
    expect((await setting(camera, 'liveviewimagezoomratio')).choices).toEqual(['Entire Display', '25%', '50%', '100%']);
  });

  test('sets values, by name and by path', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.setConfig('f-number', 'f/5.6');
    expect(virtual.property(0x5007)?.value).toBe(560);
    expect((await setting(camera, 'f-number')).value).toBe('f/5.6');
    await camera.setConfig('/main/capturesettings/liveviewimagezoomratio', '100%');
    expect(virtual.state.magnification).toBe(6);
    await camera.frame();
    await camera.setConfig('manualfocusdrive', '-150');
    await camera.setConfig('manualfocusdrive', '50');
    expect(virtual.state.focusSteps).toBe(-100);
    await camera.setConfig('changeafarea', '320x200');
    expect(virtual.state.area).toEqual({ x: 320, y: 200 });
    await camera.setConfig('viewfinder', '0');
    expect(virtual.property(0xd1a2)?.value).toBe(0);
  });

  test.each([
    ['nosuch', '1', /no setting 'nosuch'/],
    ['cameramodel', 'x', /does not let 'cameramodel'/],
    ['focallength', '35', /does not let 'focallength'/],
    ['f-number', 'f/1.2', /takes one of: f\/2\.8, f\/4/],
    ['manualfocusdrive', 'far', /takes a number from -32767 to 32767/],
    ['manualfocusdrive', '40000', /takes a number from/],
    ['manualfocusdrive', 'nan', /takes a number from/],
    ['viewfinder', '2', /takes 0 or 1/],
    ['datetime', 'tonight', /takes whole seconds/],
  ])('refuses %s = %s with a reason', async (name, value, reason) => {
    const camera = await open((await virtualCamera()).port);
    const error = await failure(camera.setConfig(name, value));
    expect(error).toMatchObject({ code: GP.BAD_PARAMETERS, operation: 'set configuration' });
    expect(error.text).toMatch(reason);
  });
});

describe('photographs', () => {
  const still = smallJpegs[3];

  test('come as the very bytes, from memory, and live view goes on', async () => {
    const virtual = await virtualCamera({ frame: (index) => smallJpegs[index % 5], still: () => still });
    const camera = await open(virtual.port);
    await camera.frame();
    for (let round = 0; round < 3; round++) expect((await camera.capture()).bytes).toEqual(still);
    expect(virtual.cardNames).toEqual([]);
    expect((await camera.frame()).bytes).toEqual(smallJpegs[1]);
  });

  test('stay on the card unless told otherwise', async () => {
    const virtual = await virtualCamera({ frame: () => smallJpegs[0], still: () => still });
    const camera = await open(virtual.port);
    await camera.setConfig('capturetarget', 'Memory card');
    try {
      expect(await camera.capture()).toMatchObject({ name: 'DSC_0001.JPG', bytes: still });
      expect(virtual.cardNames).toEqual(['DSC_0001.JPG']);
      expect((await camera.capture({ removeFromCard: true })).name).toBe('DSC_0002.JPG');
      expect(virtual.cardNames).toEqual(['DSC_0001.JPG']);
    } finally {
      await camera.setConfig('capturetarget', 'Internal RAM'); // the library remembers it for all cameras
    }
  });

  test('taken by hand are announced', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    expect(await camera.waitEvent(1)).toEqual({ type: 'timeout', text: '' });
    await virtual.pressShutter();
    expect(await camera.waitEvent(1000)).toEqual({
      type: 'file-added',
      text: '/store_00010001/DCIM/100NIGHT/DSC_0001.JPG',
    });
    expect(await camera.waitEvent(1000)).toMatchObject({ type: 'capture-complete' });
  });
});

describe('calls and their ends', () => {
  test('the event loop turns while a frame is fetched', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    const { open: release, opened } = gate();
    virtual.inject(OpA.getLiveViewImage, { kind: 'stall', until: opened });
    let turns = 0;
    let turnsAtFrame = 0;
    const frame = camera.frame().then(() => {
      turnsAtFrame = turns;
    });
    // The picture is let go only after 1000 turns: it can only come if the loop was free for all of them.
    while (turns < 1000) {
      await new Promise((resolve) => setImmediate(resolve));
      turns++;
    }
    release();
    await frame;
    expect(turnsAtFrame).toBe(1000);
  });

  test('run in the order they were made', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    const order: string[] = [];
    await Promise.all([
      camera.frame().then(({ bytes }) => order.push(`frame ${smallJpegs.findIndex((one) => one.equals(bytes))}`)),
      camera.setConfig('f-number', 'f/8').then(() => order.push('set')),
      camera.config().then((all) => order.push(all.find(({ name }) => name === 'f-number')!.value)),
      camera.frame().then(({ bytes }) => order.push(`frame ${smallJpegs.findIndex((one) => one.equals(bytes))}`)),
    ]);
    expect(order).toEqual(['frame 0', 'set', 'f/8', 'frame 1']);
  });

  test('closing lets the running call end and rejects the waiting ones', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    const { open: release, opened } = gate();
    virtual.inject(OpA.getLiveViewImage, { kind: 'stall', until: opened });
    const seen = virtual.requests.get(OpA.getLiveViewImage)!;
    const calls = [camera.frame(), camera.frame(), camera.config()];
    const settled = Promise.allSettled(calls);
    await until(() => virtual.requests.get(OpA.getLiveViewImage)! > seen);
    const closed = Promise.all([camera.close(), camera.close()]);
    release();
    await closed;
    const [running, ...waiting] = await settled;
    expect(running.status).toBe('fulfilled');
    for (const { reason } of waiting as PromiseRejectedResult[]) expect(reason).toMatchObject({ code: GP.CANCEL });
    expect(await failure(camera.frame())).toMatchObject({ code: GP.CANCEL, operation: 'frame' });
    expect(virtual.requests.get(OpA.endLiveView)).toBe(1);
    expect(virtual.requests.get(Op.closeSession)).toBe(1);
  });

  // ptp_ptpip_disconnect in libgphoto2 2.5.30 closes descriptor 0 as well, whatever it is.
  test('closing a network camera leaves standard input alone', async () => {
    const before = fstatSync(0);
    for (let round = 0; round < 3; round++) {
      const camera = await openCamera({ port: (await virtualCamera()).port });
      await camera.frame();
      await camera.close();
      const { dev, ino, rdev } = fstatSync(0);
      expect({ dev, ino, rdev }).toEqual({ dev: before.dev, ino: before.ino, rdev: before.rdev });
    }
  });

  test('a camera nobody holds any more is closed, but not while a call runs', async () => {
    setFlagsFromString('--expose-gc');
    const collect = runInNewContext('gc') as () => void;
    const virtual = await virtualCamera();
    const { open: release, opened } = gate();
    const pending = await (async () => {
      const camera = await openCamera({ port: virtual.port });
      await camera.frame();
      virtual.inject(OpA.getLiveViewImage, { kind: 'stall', until: opened });
      return { frame: camera.frame() };
    })();
    for (let round = 0; round < 20; round++) {
      collect();
      await new Promise((resolve) => setImmediate(resolve));
    }
    expect(virtual.requests.get(Op.closeSession)).toBeUndefined();
    release();
    expect((await pending.frame).bytes).toEqual(smallJpegs[1]);
    await until(() => {
      collect();
      return virtual.requests.get(Op.closeSession) === 1;
    });
  });

  test.each([
    ['ends by itself', ''],
    ['calls process.exit', 'process.exit(0);'],
    ['ends in the middle of a call', 'camera.frame(); setImmediate(() => process.exit(0));'],
  ])('a program that %s without closing ends in good order', async (_, ending) => {
    const virtual = await virtualCamera();
    const script = `import { openCamera } from '${nativeUrl}';
      const camera = await openCamera({ port: '${virtual.port}' });
      console.log((await camera.frame()).bytes.length);
      ${ending}`;
    const output = await new Promise((resolve, reject) =>
      execFile(process.execPath, ['--input-type=module', '-e', script], (error, stdout) =>
        error ? reject(error) : resolve(stdout),
      ),
    );
    expect(output).toBe(`${smallJpegs[0].length}\n`);
  });

  test('a worker thread that is stopped in the middle of a call takes nothing down', async () => {
    const virtual = await virtualCamera();
    const worker = new Worker(
      `import('${nativeUrl}').then(async ({ openCamera }) => {
         const camera = await openCamera({ port: '${virtual.port}' });
         await camera.frame();
         for (;;) await camera.frame();
       });`,
      { eval: true },
    );
    await until(() => virtual.framesServed > 3);
    await worker.terminate();
    expect((await (await open(virtual.port)).frame()).bytes.length).toBeGreaterThan(0);
  });
});
