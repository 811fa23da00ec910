/**
 * The virtual camera in a process of its own, at a camera's pace: each picture is there for one period, whoever asks
 * late gets the newest. It shows the demo evening's magnified live view while a hand turns the ring through focus and
 * back. Run as a program: node tests/bench/camera.ts FRAMES_PER_S; the first line names its port.
 */
import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { readFile } from 'node:fs/promises';
import { createInterface } from 'node:readline';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { SimulatedWorld } from '../../core/simulator/world.ts';
import { VirtualCamera } from '../camera/virtual/camera.ts';
import { encodeJpeg } from '../support/encode.ts';

const SELF = fileURLToPath(import.meta.url);
/** One turn of the ring, from so far on one side of focus to as far on the other, µm of defocus. */
const TURN_S = 4;
const REACH_UM = 60;

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

/** Pictures of one turn, each with noise, tremble and drift of its own: slow at both ends, as a hand starts and stops. */
async function turn(framesPerS: number): Promise<Buffer[]> {
  const path = new URL('../../samples/scenario.json', import.meta.url);
  const world = new SimulatedWorld(JSON.parse(await readFile(path, 'utf8')));
  const { jpegQuality } = world.scenario.camera;
  const count = Math.round(TURN_S * framesPerS);
  const pictures: Buffer[] = [];
  for (let i = 0; i < count; i++) {
    const wantedUm = -REACH_UM * Math.cos((Math.PI * i) / (count - 1));
    const { umPerMark } = world.scenario.lens.settings.find(({ focalMm }) => focalMm === world.focalMm)!;
    world.ring += (wantedUm - world.dzUm) / umPerMark;
    pictures.push(await encodeJpeg(world.frame((1000 * i) / framesPerS).image, jpegQuality));
  }
  return pictures;
}

async function show(framesPerS: number): Promise<void> {
  const there = await turn(framesPerS);
  const pictures = [...there, ...there.toReversed()];
  const startMs = performance.now();
  const periodMs = 1000 / framesPerS;
  let last = -1;
  const camera = await VirtualCamera.start({
    async frame() {
      const now = Math.floor((performance.now() - startMs) / periodMs);
      last = Math.max(now, last + 1);
      const waitMs = startMs + last * periodMs - performance.now();
      if (waitMs > 0) await sleep(waitMs);
      return pictures[last % pictures.length];
    },
  });
  console.log(camera.port);
}

if (process.argv[1] === SELF) await show(Number(process.argv[2]));
