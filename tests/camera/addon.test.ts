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
import { GP, listCameras, listPorts, openCamera } from '../../native/index.ts';
import { closing, failure, gate, smallJpegs, until, virtualCamera } from './support.ts';
import type { VirtualCamera } from './virtual/camera.ts';
import { Op } from './virtual/ptp.ts';
import { OpA } from './virtual/vendor-0a.ts';

const open = async (port: string) => closing(await openCamera({ port }));
const requestsTo = ({ requests }: VirtualCamera) => [...requests.values()].reduce((sum, count) => sum + count, 0);

/** A signal and the function that aborts it. */
function aborting(): { signal: AbortSignal; abort: () => void } {
  const controller = new AbortController();
  return { signal: controller.signal, abort: () => controller.abort() };
}
const nativeUrl = new URL('../../native/index.ts', import.meta.url).href;

describe('finding cameras', () => {
  test('lists ports with their kind', async () => {
    expect(await listPorts()).toContainEqual({ path: 'ptpip:', name: 'PTP/IP Connection', type: 'ptpip' });
  });

  test('does not disturb a camera that is open', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    const before = requestsTo(virtual);
    await Promise.all([listCameras(), listPorts(), listCameras()]);
    expect(requestsTo(virtual)).toBe(before);
    for (const index of [1, 2, 3]) {
      const [{ bytes }] = await Promise.all([camera.frame(), listCameras()]);
      expect(bytes).toEqual(smallJpegs[index]);
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

test('reading one setting costs the camera fewer questions than reading all', async () => {
  const virtual = await virtualCamera();
  const camera = await open(virtual.port);
  await camera.config(); // the first reading also prepares the camera
  const questions = async (call: Promise<unknown>) => {
    const before = requestsTo(virtual);
    await call;
    return requestsTo(virtual) - before;
  };
  const [one, all] = [await questions(camera.setting('f-number')), await questions(camera.config())];
  expect(one).toBeLessThan(all);
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

  test('a call that still waits can be cancelled, and is then never made', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    const { open: release, opened } = gate();
    virtual.inject(OpA.getLiveViewImage, { kind: 'stall', until: opened });
    const running = camera.frame();
    const { signal, abort } = aborting();
    const cancelled = failure(camera.setConfig('f-number', 'f/8', { signal }));
    const next = camera.frame();
    abort();
    expect(await cancelled).toMatchObject({ code: GP.CANCEL, operation: 'set configuration' });
    release();
    expect((await running).bytes).toEqual(smallJpegs[1]);
    expect((await next).bytes).toEqual(smallJpegs[2]);
    expect(virtual.property(0x5007)?.value).toBe(280);
    expect(await failure(camera.frame({ signal }))).toMatchObject({ code: GP.CANCEL });
    expect(virtual.framesServed).toBe(3);
  });

  test('a running call that takes too long is let go at once; the camera goes on when the driver does', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    const { open: release, opened } = gate();
    virtual.inject(OpA.getLiveViewImage, { kind: 'stall', until: opened });
    const late = await failure(camera.frame({ signal: AbortSignal.timeout(50) }));
    expect(late).toMatchObject({ code: GP.TIMEOUT, operation: 'frame' });
    const next = camera.frame({ signal: AbortSignal.timeout(60_000) }); // waits for the driver
    release();
    expect((await next).bytes).toEqual(smallJpegs[2]); // what the late call brought was dropped
  });

  test('waiting for an event can be cancelled while it runs', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    const { signal, abort } = aborting();
    const waiting = failure(camera.waitEvent(3_600_000, { signal }));
    await until(() => (virtual.requests.get(OpA.getEvents) ?? 0) > 2);
    abort();
    expect(await waiting).toMatchObject({ code: GP.CANCEL });
    expect((await camera.frame()).bytes).toEqual(smallJpegs[0]);
    const again = failure(camera.waitEvent(3_600_000));
    await camera.close();
    expect(await again).toMatchObject({ code: GP.CANCEL });
  });

  test('opening can be given up', async () => {
    const virtual = await virtualCamera();
    virtual.inject(Op.getDeviceInfo, { kind: 'stall', until: new Promise(() => {}) });
    const { signal, abort } = aborting();
    const opening = failure(openCamera({ port: virtual.port, signal }));
    await until(() => virtual.requests.get(Op.getDeviceInfo) === 1);
    abort();
    expect(await opening).toMatchObject({ code: GP.CANCEL, operation: 'open' });
  });

  test('closing breaks the connection in which the running call sticks', async () => {
    const virtual = await virtualCamera();
    const camera = await open(virtual.port);
    await camera.frame();
    virtual.inject(OpA.getLiveViewImage, { kind: 'stall', until: new Promise(() => {}) });
    const stuck = failure(camera.frame());
    const seen = virtual.requests.get(OpA.getLiveViewImage)!;
    await until(() => virtual.requests.get(OpA.getLiveViewImage)! > seen);
    const other = await virtualCamera();
    const untouched = await open(other.port);
    await camera.close({ graceMs: 0 });
    expect(await stuck).not.toMatchObject({ code: GP.TIMEOUT }); // not the driver's own limit
    expect((await untouched.frame()).bytes).toEqual(smallJpegs[0]);
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

  test('a worker thread that is stopped in the middle of its calls takes nothing down', async () => {
    const virtual = await virtualCamera();
    const calls = `import('${nativeUrl}').then(async ({ openCamera, listPorts }) => {
      const camera = await openCamera({ port: '${virtual.port}' });
      await camera.frame();
      const forever = async (call) => { for (;;) await call(); };
      await Promise.all([forever(() => camera.frame()), forever(() => camera.config()), forever(() => listPorts())]);
    });`;
    // Now and then it ends just when an answer is handed over.
    for (let round = 0; round < 20; round++) {
      const before = virtual.framesServed;
      const worker = new Worker(calls, { eval: true });
      await until(() => virtual.framesServed > before + 2);
      await worker.terminate();
    }
    expect((await (await open(virtual.port)).frame()).bytes.length).toBeGreaterThan(0);
  });
});
