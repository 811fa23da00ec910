/**
 * The virtual camera in a process of its own, at a camera's pace: each picture is there for one period, whoever asks
 * late gets the newest. Run as a program: node tests/bench/camera.ts FRAMES_PER_S; the first line names its port.
 */
import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { createInterface } from 'node:readline';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, star } from '../../core/simulator/scene.ts';
import { VirtualCamera } from '../camera/virtual/camera.ts';
import { encodeJpeg } from '../support/encode.ts';

const SELF = fileURLToPath(import.meta.url);
/** Pictures shown one after the other. */
const PICTURES = 12;

export interface PacedCamera {
  port: string;
  process: ChildProcess;
}

export async function startPacedCamera(framesPerS: number): Promise<PacedCamera> {
  const camera = spawn(process.execPath, [SELF, String(framesPerS)], { stdio: ['ignore', 'pipe', 'inherit'] });
  process.once('exit', () => camera.kill());
  const [port] = await once(createInterface({ input: camera.stdout! }), 'line');
  return { port, process: camera };
}

async function show(framesPerS: number): Promise<void> {
  const pictures: Buffer[] = [];
  for (let i = 0; i < PICTURES; i++) {
    const scene = defaultScene({ star: star(510 + i / 3, 341, 300_000), dzUm: 12 + i / 2, seed: i });
    pictures.push(await encodeJpeg(expose(renderNoiseFree(scene), scene), 90));
  }
  const startMs = performance.now();
  const periodMs = 1000 / framesPerS;
  let last = -1;
  const camera = await VirtualCamera.start({
    async frame() {
      const now = Math.floor((performance.now() - startMs) / periodMs);
      last = Math.max(now, last + 1);
      const waitMs = startMs + last * periodMs - performance.now();
      if (waitMs > 0) await sleep(waitMs);
      return pictures[last % PICTURES];
    },
  });
  console.log(camera.port);
}

if (process.argv[1] === SELF) await show(Number(process.argv[2]));
