/** A recording as a camera: real camera processes and the real command line. */
import { type ChildProcess, spawn } from 'node:child_process';
import { mkdir, mkdtemp, readdir, rm, utimes, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import type { Frame } from '../../../core/frame.ts';
import { LiveMeasurer } from '../../../core/pattern/live.ts';
import { star } from '../../../core/simulator/scene.ts';
import { Camera } from '../../../host/cameras/camera.ts';
import { decode } from '../../../host/decode/decode.ts';
import { Recorder } from '../../../host/recording/recorder.ts';
import { encoded, patternJpeg, picture, starOnlyJpeg } from '../pictures.ts';
import { framesOf } from './support.ts';

const BIN = join(import.meta.dirname, '..', '..', '..', 'bin', 'nightring.mjs');

let folder: string;
beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'nightring-replay-'));
});
afterAll(() => rm(folder, { recursive: true }));

type Line = Record<string, unknown>;

function start(...args: string[]): {
  child: ChildProcess;
  lines: Line[];
  ended: Promise<{ code: number | null; err: string }>;
} {
  const child = spawn(process.execPath, [BIN, 'watch', '--json', ...args], { stdio: ['ignore', 'pipe', 'pipe'] });
  const lines: Line[] = [];
  createInterface({ input: child.stdout! }).on('line', (line) => lines.push(JSON.parse(line)));
  let err = '';
  child.stderr!.on('data', (text) => (err += text));
  return { child, lines, ended: new Promise((resolve) => child.on('close', (code) => resolve({ code, err }))) };
}

async function watch(...args: string[]): Promise<{ lines: Line[]; code: number | null; err: string }> {
  const { lines, ended } = start(...args);
  return { ...(await ended), lines };
}

/** All but how long it took. */
const figures = (lines: Line[]) => lines.map(({ decodeMs, measureMs, ...rest }) => rest);

/** The readings in a recording's index, as far as they have what lines have. */
async function recordedReadings(path: string): Promise<Line[]> {
  return (await framesOf(path)).map(({ reading }) => ({ ...reading }));
}
const offsets = (lines: Line[]) =>
  lines.map(({ offsetPx, offsetSigmaPx, defocusUm, spots }) => ({ offsetPx, offsetSigmaPx, defocusUm, spots }));

describe('on the command line', () => {
  test('a recording replayed gives the very same lines, with the optics recorded', async () => {
    const shots = join(folder, 'shots');
    await mkdir(shots);
    await writeFile(join(shots, '1.jpg'), await patternJpeg());
    await writeFile(join(shots, '2.jpg'), await starOnlyJpeg());
    await writeFile(join(shots, '3.jpg'), 'no picture');
    await writeFile(
      join(shots, '4.png'),
      await encoded(picture({ dzUm: -14, seed: 5 }))
        .png()
        .toBuffer(),
    );
    // They have lain there: of a fresh one that is no picture it would be waited whether it becomes one.
    const written = new Date(Date.now() - 60_000);
    for (const name of await readdir(shots)) await utimes(join(shots, name), written, written);
    const mask = join(folder, 'mask.json');
    await writeFile(mask, '{"layout":"half","orientation":-1,"handedness":1}');
    const recording = join(folder, 'recorded');
    const optics = ['--f-number', '2', '--pixel-um', '3.9', '--mask', mask];
    const live = await watch('--camera', `folder:${shots}`, '--frames', '4', ...optics, '--record', recording);
    expect(live.err).toBe('');
    expect(live.lines.map(({ status }) => status)).toEqual(['measured', 'no-pattern', 'unreadable', 'measured']);

    const again = await watch('--camera', `replay:${recording}`, '--speed', 'max');
    expect(again.err).toBe('');
    expect(again.code).toBe(live.code);
    expect(figures(again.lines)).toEqual(figures(live.lines));
    expect(again.lines[0].defocusUm).toEqual(expect.any(Number));

    // What is said now comes before what was recorded.
    const changed = ['--f-number', '4', '--frames', '1'];
    const other = await watch('--camera', `replay:${recording}`, '--speed', 'max', ...changed);
    const direct = await watch('--camera', `folder:${shots}`, ...optics, ...changed);
    expect(offsets(other.lines)).toEqual(offsets(direct.lines));
    expect(offsets(other.lines)).not.toEqual(offsets(again.lines.slice(0, 1)));
  });

  test('killed while recording: what was printed before can all be replayed, bit for bit', async () => {
    const recording = join(folder, 'killed');
    const { child, lines, ended } = start('--camera', 'sim', '--record', recording);
    child.stdout!.on('data', () => lines.length >= 5 && child.kill('SIGKILL'));
    await ended;
    const printed = figures(lines);
    expect(printed.length).toBeGreaterThanOrEqual(5);
    const sure = printed.slice(0, -2); // the last ones may have been under way to the disk
    const again = await watch('--camera', `replay:${recording}`, '--speed', 'max', '--frames', String(sure.length));
    expect(figures(again.lines)).toEqual(sure);
    expect(again.lines.every(({ status, defocusUm }) => status === 'measured' && defocusUm !== null)).toBe(true);
  });

  test('frames followed from one to the next, over several segments, as the screen does; at any speed', async () => {
    const recording = join(folder, 'followed');
    // So small that a segment holds a few frames.
    const recorder = await Recorder.start(recording, { camera: 'sim', limitBytes: 1e6 });
    const optics = { focalMm: 24, fNumber: 2.8, pixelUm: 4, mask: null };
    let live = new LiveMeasurer();
    let starts = 0;
    for (let sequence = 0; sequence < 9; sequence++) {
      const image = picture({ star: star(150 + 2 * sequence, 120, 400_000), dzUm: 20 - sequence, seed: 90 + sequence });
      const bytes = await encoded(image).jpeg({ quality: 95 }).toBuffer();
      const timeUtc = new Date(Date.UTC(2026, 0, 17) + 33 * sequence).toISOString();
      const mode = { kind: 'live', magnification: 1, pixelUm: 4 } as const;
      const frame: Frame = { sequence, timeUtc, bytes, name: `live-${sequence}.jpg`, mode };
      if (recorder.frame(frame).anew) {
        starts++;
        live = new LiveMeasurer();
      }
      recorder.reading(sequence, optics, live.measure(await decode(bytes, frame.name), optics));
      await expect.poll(() => recorder.status.frames, { interval: 5 }).toBe(sequence + 1);
    }
    await recorder.stop();
    expect(starts).toBeGreaterThan(1);
    expect(starts).toBeLessThan(9);
    const replay = (speed: string) => watch('--camera', `replay:${recording}`, '--speed', speed);
    for (const again of await Promise.all(['max', '3'].map(replay))) {
      expect(again.lines).toHaveLength(9);
      expect(again.lines.every(({ status }) => status === 'measured')).toBe(true);
      expect(offsets(again.lines)).toEqual(offsets(await recordedReadings(recording)));
    }
    // Looked at anew, frames that were followed measure a little differently: what is compared above is no triviality.
    const frames = await framesOf(recording);
    const followed = frames.find(({ frame }) => !frame.anew)!;
    const cold = new LiveMeasurer().measure(await decode(followed.frame.bytes, 'a.jpg'), optics);
    expect('offsetPx' in cold && cold.offsetPx).not.toBe((followed.reading as unknown as Line).offsetPx);
  });

  test('wrong use is one line', async () => {
    await writeFile(join(folder, 'anything'), '');
    const speed = await watch('--camera', 'sim', '--speed', '2');
    expect(speed).toMatchObject({
      code: 2,
      err: expect.stringMatching(/^nightring: --speed is for recordings[^\n]*\n$/),
    });
    const zero = await watch('--camera', 'replay:x', '--speed', '0');
    expect(zero).toMatchObject({ code: 2, err: expect.stringMatching(/^nightring: [^\n]*above 0, or max[^\n]*\n$/) });
    const none = await watch('--camera', `replay:${join(folder, 'none')}`);
    expect(none).toMatchObject({ code: 4, err: expect.stringMatching(/^nightring: there is no folder [^\n]*\n$/) });
    const full = await watch('--camera', 'sim', '--record', folder);
    expect(full).toMatchObject({ code: 2, err: expect.stringMatching(/^nightring: [^\n]*not empty[^\n]*\n$/) });
    const video = await watch('--camera', 'video:any');
    expect(video).toMatchObject({ code: 4, err: expect.stringMatching(/^nightring: the screen alone[^\n]*\n$/) });
  });
});

describe('as a camera', () => {
  async function recorded(name: string, count: number): Promise<string> {
    const path = join(folder, name);
    const recorder = await Recorder.start(path, { camera: 'sim', limitBytes: 1e9 });
    for (let sequence = 0; sequence < count; sequence++)
      recorder.frame({
        sequence: 3 * sequence, // some were dropped
        timeUtc: new Date(Date.UTC(2026, 0, 17) + 1000 * sequence).toISOString(),
        bytes: Buffer.from([sequence]),
        name: `live-${sequence}.jpg`,
        mode: { kind: 'live', magnification: 1, pixelUm: 4 },
      });
    await recorder.stop();
    return path;
  }

  test('every frame comes, in order, however slowly it is taken; then it is over', async () => {
    const camera = new Camera(`replay:${await recorded('ten', 10)}`);
    await camera.writeConfig('speed', 'max');
    const seen: Frame[] = [];
    for (let frame = await camera.nextFrame(); frame; frame = await camera.nextFrame()) {
      seen.push(frame);
      await new Promise((resolve) => setTimeout(resolve, 20));
    }
    expect(seen.map(({ bytes }) => bytes[0])).toEqual([0, 1, 2, 3, 4, 5, 6, 7, 8, 9]);
    expect(seen.map(({ sequence }) => sequence)).toEqual([0, 1, 2, 3, 4, 5, 6, 7, 8, 9]);
    expect(seen[4].timeUtc).toBe('2026-01-17T00:00:04.000Z');
    expect(camera.status).toMatchObject({ state: 'none', delivered: 10, dropped: 0 });
  });

  test('held, and gone through frame by frame', async () => {
    const camera = new Camera(`replay:${await recorded('held', 4)}`);
    try {
      await camera.writeConfig('paused', '1'); // the first frame may be on its way already
      await camera.writeConfig('speed', 'max');
      await camera.writeConfig('step', '');
      const first = await camera.nextFrame();
      let second: Frame | null = null;
      const coming = camera.nextFrame().then((frame) => (second = frame));
      const position = async () => Number((await camera.readConfig()).find(({ name }) => name === 'positionS')!.value);
      await position(); // a whole round trip through the process
      if (!second) await camera.writeConfig('step', '');
      await coming;
      expect([first!.bytes[0], second!.bytes[0]]).toEqual([0, 1]);
      expect(await position()).toBe(1);
      await camera.writeConfig('paused', '0');
      expect((await camera.nextFrame())!.bytes[0]).toBe(2);
    } finally {
      await camera.close();
    }
  });

  test('refuses what it cannot do', async () => {
    const camera = new Camera(`replay:${await recorded('refusing', 2)}`);
    try {
      for (const [name, value] of [
        ['speed', '0'],
        ['speed', ''],
        ['speed', 'fast'],
        ['paused', 'yes'],
        ['ring', '5'],
      ])
        await expect(camera.writeConfig(name, value)).rejects.toMatchObject({ code: 'refused' });
      await expect(camera.capture()).rejects.toMatchObject({ code: 'unsupported' });
      expect((await camera.readConfig()).find(({ name }) => name === 'lengthS')!.value).toBe('1');
    } finally {
      await camera.close();
    }
  });
});
