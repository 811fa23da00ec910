/**
 * Focus by motor, end to end: libgphoto2 drives the virtual camera's lens, which has play; the pictures that
 * follow from where the lens stands are measured, and the loop asks for the next step.
 */
import { readFile } from 'node:fs/promises';
import { expect, onTestFinished, test } from 'vitest';
import { focusDrive } from '../../core/camera/drive.ts';
import { magnifier } from '../../core/camera/magnify.ts';
import { lensReport, readiness } from '../../core/camera/readiness.ts';
import { rolesOf } from '../../core/camera/roles.ts';
import type { Frame } from '../../core/frame.ts';
import { guide } from '../../core/guide/guide.ts';
import { FocusMotor, type MoveOutcome } from '../../core/guide/motor.ts';
import { sightSince } from '../../core/guide/motorSight.ts';
import { depthOfFocusUm } from '../../core/optics/formulas.ts';
import { LiveMeasurer } from '../../core/pattern/live.ts';
import type { Scenario } from '../../core/simulator/scenario.ts';
import { SimulatedWorld } from '../../core/simulator/world.ts';
import { Tracker } from '../../core/track/track.ts';
import { openGphoto } from '../../host/cameras/gphoto.ts';
import type { CameraError } from '../../host/cameras/source.ts';
import { decode } from '../../host/decode/decode.ts';
import { startMotorCamera } from './motorCamera.ts';
import { closing, virtualCamera } from './support.ts';
import { sensor } from './virtual/dialect.ts';

/** Frames are taken to come so far apart: the loop's patience runs on their times, not on this machine's speed. */
const FRAME_MS = 100;

const scenario: Scenario = JSON.parse(await readFile('samples/scenario.json', 'utf8'));
// A smaller picture, magnified more: the same size of pixel on the sensor, sooner drawn.
scenario.camera.liveWidthPx /= 2;
scenario.camera.liveHeightPx /= 2;
const { lens } = scenario;
const world = new SimulatedWorld(scenario);
world.magnification = Math.max(...scenario.camera.magnifications);

test.each([
  { dialect: '0x0A', play: 60, marksPerStep: -0.004 },
  { dialect: '0x0B', play: 30, marksPerStep: 0.004 },
] as const)('the motor of dialect $dialect comes into the depth of focus', async ({ dialect, play, marksPerStep }) => {
  lens.backlashMarks = 0;
  const infinity =
    lens.settings[1].infinityMark + lens.settings[1].marksPerDegree * (scenario.evening.startC - lens.referenceC);
  const startMark = infinity - 1.6;
  const scene = { scenario, dialect, playSteps: play, marksPerStep, startMark, frameMs: FRAME_MS };
  const camera = await startMotorCamera(scene);
  onTestFinished(camera.stop);
  const source = closing(await openGphoto(camera.port));

  const config = await source.readConfig();
  const roles = rolesOf(config);
  expect(lensReport(roles).fNumber).toBe(lens.fNumber);
  const drive = focusDrive(roles.driveFocus!)!;
  const motor = new FocusMotor(drive.sizes, drive);

  const { focalMm, pixelUm } = world;
  const optics = { focalMm, fNumber: lens.fNumber, pixelUm, mask: scenario.mask };
  const measurer = new LiveMeasurer();
  const tracker = new Tracker();
  const frames: Frame[] = [];
  let wake = () => {};
  await source.start(
    (one) => {
      frames.splice(0, 1, one);
      wake();
    },
    (why) => expect(why).toBeNull(),
  );
  const nextFrame = async () => {
    while (frames.length === 0) await new Promise<void>((resolve) => (wake = resolve));
    return frames.shift()!;
  };

  let timeMs = 0;
  let sinceMs = 0;
  let outcome: MoveOutcome = 'done';
  const asked: string[] = [];
  for (;;) {
    const { bytes, name } = await nextFrame();
    timeMs += FRAME_MS;
    const track = tracker.push(timeMs, measurer.measure(await decode(bytes, name), optics));
    const instruction = guide(track, optics, null);
    const aim = 'aim' in instruction ? instruction.aim : null;
    const sight = aim ? sightSince(track, aim.tolerancePx, sinceMs, timeMs) : 'wait';
    if (sight === 'wait') continue;
    const decision = motor.next(sight, outcome);
    if (decision.kind === 'stop') {
      expect(decision.reason, asked.join()).toBe('in-focus');
      break;
    }
    outcome = 'done';
    for (const write of drive.writes(decision.move)) {
      asked.push(write.value);
      await source.writeConfig(write.name, write.value).catch((error: CameraError) => {
        outcome = error.code === 'at-limit' ? 'at-limit' : 'refused';
      });
    }
    // The picture under way is of before.
    await nextFrame();
    sinceMs = timeMs;
  }
  // Quarter-wave depth of focus, 2 λ N² (Born & Wolf §8.8), against the hidden truth.
  expect(Math.abs(await camera.dzUm())).toBeLessThan(depthOfFocusUm(lens.fNumber));
  expect(motor.moves).toBeLessThan(30);
  // Steps of a motor are so many microns each; the dialect with sizes has 4 of them in its smallest.
  const smallest = dialect === '0x0A' ? 1 : 4;
  const umPerStep = (motor.learned.bandsPerStep! * depthOfFocusUm(lens.fNumber)) / smallest;
  expect(umPerStep / Math.abs(marksPerStep * lens.settings[1].umPerMark)).toBeCloseTo(1, 0);
  await source.close();
});

test('one click sets right what the body lets be set, through the library', async () => {
  const camera = await virtualCamera();
  const source = closing(await openGphoto(camera.port));
  await source.writeConfig('focusmode', 'AF-C');
  const look = async () => {
    const config = await source.readConfig();
    return { config, checks: readiness(config, rolesOf(config), Date.now(), 4) };
  };
  const before = (await look()).checks.filter(({ state }) => state === 'change');
  expect(before.map(({ role }) => role)).toEqual(['focusMode', 'aperture', 'magnify', 'card', 'clock']);
  for (const { writes } of before) for (const { name, value } of writes!) await source.writeConfig(name, value);
  const { checks } = await look();
  expect(checks.filter(({ state }) => state === 'change')).toEqual([]);
  expect(camera.state.magnification).toBe(6);
});

test.each(['0x0A', '0x0B'] as const)(
  'live view is magnified about the star, and shows the whole field again, in dialect %s',
  async (dialect) => {
    const camera = await virtualCamera(undefined, { dialect });
    const source = closing(await openGphoto(camera.port));
    await source.start(
      () => {},
      () => {},
    );
    const config = await source.readConfig();
    const lens = magnifier(rolesOf(config), config)!;
    const write = async (level: number) => {
      const writes = lens.writes(level, { x: 0.7, y: 0.4 }, { x: sensor.widthPx, y: sensor.heightPx });
      for (const { name, value } of writes) await source.writeConfig(name, value);
    };
    await write(lens.levels.length - 1);
    expect(camera.state.magnification).toBeGreaterThan(5);
    expect(camera.state.area.x / sensor.widthPx).toBeCloseTo(0.7, 2);
    expect(camera.state.area.y / sensor.heightPx).toBeCloseTo(0.4, 2);
    await write(0);
    expect(camera.state.magnification).toBe(1);
    await source.close();
  },
);
