/**
 * Bodies differ: the same tests for every dialect the virtual camera speaks. Reference for each is libgphoto2
 * itself, whose driver implements them independently of us.
 */
import { describe, expect, test } from 'vitest';
import { type CameraEvent, GP, openCamera } from '../../native/index.ts';
import { dialectFacts } from './dialects.ts';
import { closing, failure, showLens, smallJpegs, smallScene, virtualCamera } from './support.ts';
import { LensMotor } from './virtual/lens.ts';
import { Rc } from './virtual/ptp.ts';

const open = async (port: string) => closing(await openCamera({ port }));

describe.each(dialectFacts)('vendor $name', (facts) => {
  const { name: dialect, op } = facts;

  /** The virtual camera and the same, opened by the library. */
  async function start(pictures?: Parameters<typeof virtualCamera>[0], lens?: LensMotor) {
    const virtual = await virtualCamera(pictures, { dialect, lens });
    return { virtual, camera: await open(virtual.port) };
  }

  describe('live view', () => {
    test('delivers the very bytes the camera sent, in order', async () => {
      const { camera } = await start();
      for (let index = 0; index < 12; index++)
        expect((await camera.frame()).bytes).toEqual(smallJpegs[index % smallJpegs.length]);
    });

    test('carries pictures of a megabyte, over many packets', async () => {
      const large = Buffer.concat([Buffer.of(0xff, 0xd8), Buffer.alloc(1_000_003, 0x5a), Buffer.of(0xff, 0xd9)]);
      const { camera } = await start({ frame: () => large });
      expect((await camera.frame()).bytes.equals(large)).toBe(true);
    });

    test('asks a camera that is not ready again, and gives up when it stays so', async () => {
      const { virtual, camera } = await start();
      await camera.frame();
      const { answer, survives, gives } = facts.patience;
      virtual.inject(op.image, { kind: 'respond', code: answer }, { times: survives });
      expect((await camera.frame()).bytes).toEqual(smallJpegs[1]);
      virtual.inject(op.image, { kind: 'respond', code: answer }, { times: gives });
      expect(await failure(camera.frame())).toMatchObject({ operation: 'frame' });
      virtual.clearFaults();
      expect((await camera.frame()).bytes).toEqual(smallJpegs[2]);
    });

    test('gives the reason why live view may not start', async () => {
      const { virtual, camera } = await start();
      facts.emptyBattery(virtual);
      const { text, log } = await failure(camera.frame());
      expect(text + log).toMatch(/battery/i);
      facts.fullBattery(virtual);
      expect((await camera.frame()).bytes).toEqual(smallJpegs[0]);
    });

    test('tells garbage from a picture and goes on', async () => {
      const { virtual, camera } = await start();
      await camera.frame();
      virtual.inject(op.image, { kind: 'data', bytes: Buffer.alloc(5000, 0x11) });
      await failure(camera.frame());
      expect((await camera.frame()).bytes).toEqual(smallJpegs[2]);
    });

    test('fails when the cable goes in the middle of a picture; a new camera object works again', async () => {
      const { virtual, camera } = await start();
      await camera.frame();
      virtual.inject(op.image, { kind: 'drop', afterBytes: 1000 });
      expect(await failure(camera.frame())).toMatchObject({ operation: 'frame' });
      await virtual.unplug();
      await failure(camera.frame());
      await camera.close();
      await virtual.plugIn();
      expect((await (await open(virtual.port)).frame()).bytes).toEqual(smallJpegs[2]);
    });

    test('serves two cameras at once', async () => {
      const [first, second] = [await start(), await start({ frame: (i) => smallJpegs[4 - (i % 5)] })];
      for (let index = 0; index < 5; index++) {
        const [a, b] = await Promise.all([first.camera.frame(), second.camera.frame()]);
        expect(a.bytes).toEqual(smallJpegs[index]);
        expect(b.bytes).toEqual(smallJpegs[4 - index]);
      }
    });

    test('ends with the session', async () => {
      const { virtual, camera } = await start();
      await camera.frame();
      expect(virtual.dialect.liveView).toBe(true);
      await camera.setConfig('viewfinder', '0');
      expect(virtual.dialect.liveView).toBe(false);
      expect(virtual.requests.get(op.endLiveView)).toBe(1);
      await camera.config(); // lets the driver notice
      await camera.frame();
      await camera.close();
      expect(virtual.dialect.liveView).toBe(false);
    });
  });

  describe('configuration', () => {
    test('reads types, ranges and choices, all at once and one by one', async () => {
      const { camera } = await start();
      const all = await camera.config();
      const common = [
        { name: 'viewfinder', type: 'toggle', value: '0' },
        { name: 'cameramodel', type: 'text', value: 'Night Ring Test Camera', readOnly: true },
        { name: 'datetime', type: 'date', value: expect.stringMatching(/^\d+$/) },
      ];
      for (const expected of [...facts.settings, ...common]) {
        const [found, ...more] = all.filter(({ name }) => name === expected.name);
        expect(more).toEqual([]);
        expect(found).toMatchObject(expected);
        const { path, ...alone } = found;
        expect(await camera.setting(path)).toEqual({ ...alone, path });
        expect(await camera.setting(found.name)).toEqual({ ...alone, path: found.name });
      }
      expect(await failure(camera.setting('nosuch'))).toMatchObject({
        code: GP.BAD_PARAMETERS,
        text: expect.stringContaining("no setting 'nosuch'"),
      });
    });

    test('sets values', async () => {
      const { virtual, camera } = await start();
      const { setting, written, code, raw, wrong, offered } = facts.fNumber;
      await camera.setConfig(setting, written);
      expect(virtual.property(code)?.value).toBe(raw);
      expect((await camera.setting(setting)).value).toBe(written);
      const error = await failure(camera.setConfig(setting, wrong));
      expect(error).toMatchObject({ code: GP.BAD_PARAMETERS, operation: 'set configuration' });
      expect(error.text).toMatch(offered);
    });

    test('says when the camera does not let a setting be changed', async () => {
      const { camera } = await start();
      const { setting, value } = facts.locked;
      expect(await failure(camera.setConfig(setting, value))).toMatchObject({ operation: 'set configuration' });
    });

    test('sees what is turned on the camera itself', async () => {
      const { virtual, camera } = await start();
      await camera.config();
      const { setting, code, written, raw } = facts.fNumber;
      virtual.turn(code, raw);
      // The driver keeps what it read for two seconds (library.c, cachetime), where it has to ask at all.
      await expect.poll(async () => (await camera.setting(setting)).value).toBe(written);
    });
  });

  describe('in live view only', () => {
    test('magnifies, where wanted', async () => {
      const { virtual, camera } = await start();
      await camera.frame();
      await camera.setConfig(facts.area.setting, facts.area.written);
      expect(virtual.state.area).toEqual(facts.area.centre);
      await camera.setConfig(facts.magnify.setting, facts.magnify.written);
      expect(virtual.state.magnification).toBe(facts.magnify.times);
    });

    test('drives the focus', async () => {
      const { virtual, camera } = await start();
      const [write] = facts.drive.writes;
      await failure(camera.setConfig('manualfocusdrive', write));
      expect(virtual.state.focusSteps).toBe(0);
      await camera.frame();
      for (const value of facts.drive.writes) await camera.setConfig('manualfocusdrive', value);
      expect(virtual.state.focusSteps).toBe(facts.drive.steps);
      await camera.setConfig('viewfinder', '0');
      await failure(camera.setConfig('manualfocusdrive', write));
      expect(virtual.state.focusSteps).toBe(facts.drive.steps);
    });

    test('says when the motor is at its end', async () => {
      const { virtual, camera } = await start(undefined, new LensMotor({ limitSteps: 60 }));
      await camera.frame();
      await failure(camera.setConfig('manualfocusdrive', facts.drive.tooFar));
      expect(Math.abs(virtual.state.focusSteps)).toBe(60);
    });

    test('shows what the motor does, the play in its gears too', async () => {
      const lens = new LensMotor({ playSteps: 100 });
      const { camera, virtual } = await start(showLens(0.1, 5, smallScene), lens);
      const before = (await camera.frame()).bytes;
      const [there, back] = facts.drive.writes;
      await camera.setConfig('manualfocusdrive', there);
      const moved = virtual.state.focusSteps;
      const after = (await camera.frame()).bytes;
      expect(moved).toBeLessThan(0);
      expect(after).not.toEqual(before);
      await camera.setConfig('manualfocusdrive', back); // less than the play: nothing moves
      expect(virtual.state.focusSteps).toBe(moved);
      expect((await camera.frame()).bytes).toEqual(after);
    });
  });

  describe('photographs', () => {
    const still = smallJpegs[3];
    const pictures = { frame: (index: number) => smallJpegs[index % 5], still: () => still };

    test('come as the very bytes, from memory, and live view goes on', async () => {
      const { virtual, camera } = await start(pictures);
      await camera.frame();
      for (let round = 0; round < 3; round++) expect((await camera.capture({ to: 'memory' })).bytes).toEqual(still);
      expect(virtual.cardNames).toEqual([]);
      expect((await camera.frame()).bytes).toEqual(smallJpegs[1]);
    });

    test('stay on the card unless told otherwise', async () => {
      const { virtual, camera } = await start(pictures);
      try {
        expect(await camera.capture({ to: 'card' })).toMatchObject({ name: 'DSC_0001.JPG', bytes: still });
        expect(virtual.cardNames).toEqual(['DSC_0001.JPG']);
        expect((await camera.capture({ removeFromCard: true })).name).toBe('DSC_0002.JPG');
        expect(virtual.cardNames).toEqual(['DSC_0001.JPG']);
      } finally {
        await camera.setConfig('capturetarget', 'Internal RAM'); // the library remembers it for all cameras
      }
    });

    test('taken by hand are announced', async () => {
      const { virtual, camera } = await start();
      await camera.setConfig('capturetarget', 'Memory card');
      try {
        await camera.frame();
        while ((await camera.waitEvent(1)).type !== 'timeout'); // what it has to say of itself
        await virtual.pressShutter();
        const events: CameraEvent[] = [];
        while (!events.some(({ type }) => type === 'capture-complete')) events.push(await camera.waitEvent(1000));
        expect(events).toContainEqual({ type: 'file-added', text: '/store_00010001/DCIM/100NIGHT/DSC_0001.JPG' });
      } finally {
        await camera.setConfig('capturetarget', 'Internal RAM');
      }
    });

    test('fail, with live view left as it was, when the camera refuses', async () => {
      const { virtual, camera } = await start(pictures);
      await camera.frame();
      virtual.inject(op.capture, { kind: 'respond', code: Rc.generalError });
      expect(await failure(camera.capture())).toMatchObject({ operation: 'capture' });
      expect((await camera.frame()).bytes).toEqual(smallJpegs[1]);
    });
  });
});
