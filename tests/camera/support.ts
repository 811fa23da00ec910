/** What the camera tests share. Import before anything opens a camera. */
import { mkdtempSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, expect } from 'vitest';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, type Scene, star } from '../../core/simulator/scene.ts';
import { GphotoError } from '../../native/index.ts';
import { encodeJpeg } from '../support/encode.ts';
import { type Pictures, VirtualCamera } from './virtual/camera.ts';

// libgphoto2 keeps settings in the home folder; tests neither follow nor change the user's.
process.env.HOME = mkdtempSync(join(tmpdir(), 'nightring-camera-'));

/** A picture of the simulator, as JPEG. */
export async function simulatedJpeg(changes: Partial<Scene>): Promise<Buffer> {
  const scene = defaultScene(changes);
  return encodeJpeg(expose(renderNoiseFree(scene), scene), scene.jpegQuality);
}

export const smallScene = { widthPx: 240, heightPx: 160, star: star(120, 80, 50_000) };

/** Small pictures for tests that only care for the bytes; each is different. */
export const smallJpegs = await Promise.all(
  [0, 1, 2, 3, 4].map((seed) => simulatedJpeg({ ...smallScene, dzUm: 8 * seed - 16, seed })),
);

export const showSmall: Pictures = { frame: (index) => smallJpegs[index % smallJpegs.length] };

/**
 * Pictures of a star that the lens's motor moves in and out of focus: close the loop over the camera with them.
 * Each place of the lens is drawn once.
 *
 * @param umPerStep defocus for one step, µm; the sign gives the direction
 * @param startUm defocus before the motor has turned, µm
 */
export function showLens(umPerStep: number, startUm: number, scene: Partial<Scene> = {}): Pictures {
  const drawn = new Map<number, Promise<Buffer>>();
  return {
    frame(_, { focusSteps }) {
      const dzUm = startUm + umPerStep * focusSteps;
      if (!drawn.has(dzUm)) drawn.set(dzUm, simulatedJpeg({ ...scene, dzUm }));
      return drawn.get(dzUm)!;
    },
  };
}

const started: { stop(): Promise<void> }[] = [];

/** A virtual camera that ends with the test. */
export async function virtualCamera(
  pictures: Pictures = showSmall,
  options: Parameters<typeof VirtualCamera.start>[1] = {},
): Promise<VirtualCamera> {
  const camera = await VirtualCamera.start(pictures, options);
  started.push(camera);
  return camera;
}

/** Ends with the test, in reverse order. */
export function closing<T extends { close(): Promise<void> }>(it: T): T {
  started.push({ stop: () => it.close() });
  return it;
}

afterEach(async () => {
  for (const one of started.splice(0).reverse()) await one.stop();
});

/** Lets the event loop turn until `done`; the test's own limit ends a wait in vain. */
export async function until(done: () => boolean): Promise<void> {
  while (!done()) await new Promise((resolve) => setTimeout(resolve, 5));
}

/** A promise and the function that fulfils it. */
export function gate(): { open: () => void; opened: Promise<void> } {
  let open = () => {};
  const opened = new Promise<void>((resolve) => {
    open = resolve;
  });
  return { open, opened };
}

/** The error of a call to the addon that must fail. */
export async function failure(call: Promise<unknown>): Promise<GphotoError> {
  const error = await call.then(
    () => null,
    (reason) => reason,
  );
  expect(error).toBeInstanceOf(GphotoError);
  return error;
}
