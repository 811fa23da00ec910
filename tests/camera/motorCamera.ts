/**
 * A virtual camera with a focus motor, in a thread of its own: whoever measures its pictures keeps a thread busy for
 * seconds on a busy machine, and libgphoto2 gives up a camera whose answer takes so long. As the thread's own program it
 * shows the simulator's star, the ring where the lens stands, and tells its port, then where focus is as often as it is asked.
 */
import { once } from 'node:events';
import { parentPort, Worker, workerData } from 'node:worker_threads';
import type { Scenario } from '../../core/simulator/scenario.ts';
import { SimulatedWorld } from '../../core/simulator/world.ts';
import { encodeJpeg } from '../support/encode.ts';
import { type DialectName, VirtualCamera } from './virtual/camera.ts';
import { LensMotor } from './virtual/lens.ts';

export interface MotorScene {
  scenario: Scenario;
  dialect: DialectName;
  /** Steps that the motor loses where it turns back. */
  playSteps: number;
  marksPerStep: number;
  startMark: number;
  /** Between two pictures, ms. */
  frameMs: number;
}

export interface MotorCamera {
  port: string;
  /** Where focus is now: the sensor behind the star's focus, µm. */
  dzUm(): Promise<number>;
  stop(): Promise<void>;
}

/** Marks beyond the start within which pictures are drawn without delay. */
const REACH = 2.4;

export async function startMotorCamera(scene: MotorScene): Promise<MotorCamera> {
  const thread = new Worker(new URL(import.meta.url), { workerData: scene });
  const [port] = await once(thread, 'message');
  return {
    port,
    async dzUm() {
      thread.postMessage('where');
      const [dzUm] = await once(thread, 'message');
      return dzUm;
    },
    async stop() {
      await thread.terminate();
    },
  };
}

if (parentPort && workerData?.scenario) {
  const tell = parentPort;
  const { scenario, dialect, playSteps, marksPerStep, startMark, frameMs }: MotorScene = workerData;
  const world = new SimulatedWorld(scenario, 5);
  world.magnification = Math.max(...scenario.camera.magnifications);
  // Patterns are tabulated as they are first seen, which takes long far from focus.
  for (let mark = 0; mark < REACH; mark += 0.05) {
    world.ring = startMark + mark;
    for (const key of world.missing(world)) world.keep(key, world.patternTable(key));
  }
  const lens = new LensMotor({ playSteps });
  const stand = () => {
    // The ring's own play is not wanted here: the motor has its own.
    world.ring = startMark + marksPerStep * lens.lensSteps;
  };
  let shown = 0;
  const frame = () => {
    stand();
    return encodeJpeg(world.frame(frameMs * shown++).image, scenario.camera.jpegQuality);
  };
  const camera = await VirtualCamera.start({ frame }, { dialect, lens });
  tell.on('message', () => {
    stand();
    tell.postMessage(world.dzUm);
  });
  tell.postMessage(camera.port);
}
