/** What a recording holds, how large it gets, and what is left of it when something goes wrong. */
import { appendFile, mkdir, mkdtemp, readdir, readFile, rm, stat, truncate, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { Frame } from '../../../core/frame.ts';
import type { Optics, Reading } from '../../../core/measurement.ts';
import type { RecordingMessage } from '../../../host/api.ts';
import { listRecordings, Recording } from '../../../host/recording/read.ts';
import { Recorder, type RecorderOptions } from '../../../host/recording/recorder.ts';
import { framesOf } from './support.ts';

let parent: string;
let folder: string;
beforeEach(async () => {
  parent = await mkdtemp(join(tmpdir(), 'nightring-recording-'));
  folder = join(parent, 'tonight');
  return () => rm(parent, { recursive: true, force: true });
});

const start = (options: Partial<RecorderOptions> = {}) =>
  Recorder.start(folder, { camera: 'sim', limitBytes: 1e9, ...options });

const frame = (sequence: number, size = 100, name = `live-${sequence}.jpg`): Frame => ({
  sequence,
  timeUtc: new Date(Date.UTC(2026, 0, 17, 21) + 40 * sequence).toISOString(),
  bytes: Buffer.alloc(size, sequence),
  name,
  mode: { kind: 'live', magnification: 5, pixelUm: 2.34375 },
});
const optics: Optics = { focalMm: 24, fNumber: 2.8, pixelUm: 1 / 3, mask: null };
const nothing: Reading = { status: 'no-pattern', reason: 'no-star', star: { xPx: 0.1 + 0.2, yPx: 5e-324 } };

const read = () => framesOf(folder);

async function bytesOnDisk(): Promise<number> {
  const files = await readdir(folder, { recursive: true });
  const sizes = await Promise.all(files.map((file) => stat(join(folder, file))));
  return sizes.reduce((sum, info) => sum + (info.isFile() ? info.size : 0), 0);
}

describe('what is recorded', () => {
  test('it is over when all is written, and takes no more from when it is asked to end', async () => {
    const told: RecordingMessage[] = [];
    const recorder = await start({ onStatus: (status) => told.push(status) });
    for (let sequence = 0; sequence < 40; sequence++) recorder.frame(frame(sequence, 20_000));
    const ended = recorder.stop();
    expect(recorder.frame(frame(40))).toEqual(frame(40));
    expect(recorder.status.state).toBe('recording');
    await ended;
    expect(told.at(-1)).toMatchObject({ state: 'off', frames: 40 });
    expect(told.filter(({ state }) => state === 'off')).toHaveLength(1);
    expect(await read()).toHaveLength(40);
  });

  test('frames as they came, and readings to the last bit', async () => {
    const recorder = await start();
    expect(recorder.frame(frame(7))).toMatchObject({ anew: true, sequence: 7 });
    expect(recorder.frame(frame(9))).toMatchObject({ anew: false });
    recorder.reading(7, optics, nothing);
    recorder.unreadable(9, 'cut short');
    recorder.frame(frame(10, 50, 'DSC_1.NEF'));
    recorder.reading(1234, optics, nothing); // of no frame that is known
    await recorder.stop();
    expect(recorder.status).toMatchObject({ state: 'off', frames: 3, skipped: 0 });

    const all = await read();
    expect(all.map(({ number, frame: { anew } }) => [number, anew])).toEqual([
      [0, true],
      [1, false],
      [2, false],
    ]);
    expect(all[0]).toEqual({ number: 0, optics, reading: nothing, frame: { ...frame(7), anew: true } });
    expect(all[1]).toMatchObject({ optics, reading: null }); // the optics last known
    expect(all[2].frame.name).toBe('DSC_1.NEF');
    // A raw picture keeps its ending, for decoders go by it.
    expect((await readdir(join(folder, '000000'))).sort()).toEqual([
      '000000.jpg',
      '000001.jpg',
      '000002.nef',
      'index.jsonl',
    ]);
    expect(JSON.parse(await readFile(join(folder, 'recording.json'), 'utf8'))).toMatchObject({
      format: 'nightring-recording',
      version: 1,
      camera: 'sim',
    });
    expect(await (await Recording.open(folder)).span()).toEqual({
      fromUtc: frame(7).timeUtc,
      toUtc: frame(10).timeUtc,
    });
  });

  test('the reading of a photograph that is long in being measured, while live view goes on', async () => {
    const recorder = await start();
    recorder.frame({ ...frame(0), mode: { kind: 'still', magnification: null, pixelUm: null } });
    for (let i = 1; i <= 300; i++) recorder.frame(frame(i));
    recorder.reading(0, optics, nothing);
    await recorder.stop();
    expect((await read())[0].reading).toEqual(nothing);
  });

  test('frames larger than its size, waiting for the disk together, do not end it', async () => {
    const recorder = await start({ limitBytes: 10_000 });
    for (let i = 0; i < 3; i++) recorder.frame(frame(i, 20_000));
    await recorder.stop();
    expect(recorder.status).toMatchObject({ state: 'off', frames: 3, message: '' });
    expect((await read()).map(({ number }) => number)).toEqual([2]);
  });

  test('never more than its size: the oldest segment gives way, each begins measuring afresh', async () => {
    const limitBytes = 400_000;
    let mostBytes = 0;
    const recorder = await start({ limitBytes });
    const given: Frame[] = [];
    for (let i = 0; i < 300; i++) {
      given.push(recorder.frame(frame(i, 4000)));
      recorder.reading(i, optics, nothing);
      await new Promise((resolve) => setTimeout(resolve, 1));
      mostBytes = Math.max(mostBytes, recorder.status.bytes);
    }
    await recorder.stop();
    expect(await bytesOnDisk()).toBeLessThanOrEqual(limitBytes);
    expect(mostBytes).toBeGreaterThan(0.8 * limitBytes);
    expect(Math.max(mostBytes, recorder.status.bytes)).toBeLessThanOrEqual(limitBytes);

    const all = await read();
    expect(all.length).toBeGreaterThan(40);
    expect(all.at(-1)!.number).toBe(299);
    expect(all.map(({ number }) => number)).toEqual(all.map((_, i) => all[0].number + i)); // no hole
    expect(all[0].number).toBeGreaterThan(0);
    expect(all[0].frame.anew).toBe(true);
    expect(all.map((one) => one.frame.anew)).toEqual(given.slice(all[0].number).map(({ anew }) => anew));
    expect(all.every(({ reading }) => reading !== null)).toBe(true);
    expect(recorder.status.heldS).toBeCloseTo(0.04 * (299 - all[0].number), 6);
  });

  test('a disk that cannot follow: frames are left out and counted, and what follows starts afresh', async () => {
    const recorder = await start();
    const large = Buffer.alloc(20 << 20);
    for (let i = 0; i < 4; i++) recorder.frame({ ...frame(i), bytes: large }); // all before the disk has a chance
    expect(recorder.status.skipped).toBe(2);
    await expect.poll(() => recorder.status.frames).toBe(2);
    expect(recorder.frame(frame(4))).toMatchObject({ anew: true });
    await recorder.stop();
    expect((await read()).map((one) => one.frame.sequence)).toEqual([0, 1, 4]);
  });
});

describe('when something goes wrong', () => {
  test('the disk fills up: it stops, says so, and keeps what it has', async () => {
    const told: RecordingMessage[] = [];
    let free = 1e12;
    const recorder = await start({ onStatus: (status) => told.push(status), freeBytes: async () => free });
    recorder.frame(frame(0));
    recorder.reading(0, optics, nothing);
    await expect.poll(() => recorder.status.frames).toBe(1);
    free = 1e6;
    for (let i = 1; recorder.status.state === 'recording'; i++) {
      recorder.frame(frame(i));
      await new Promise((resolve) => setTimeout(resolve, 50));
    }
    expect(told.at(-1)).toMatchObject({ state: 'stopped', message: expect.stringMatching(/disk is full/) });
    expect(recorder.frame(frame(99)).anew).toBeUndefined(); // goes on unrecorded
    await recorder.stop();
    expect(recorder.status.state).toBe('stopped');
    const all = await read();
    expect(all).toHaveLength(recorder.status.frames);
    expect(all[0].reading).toEqual(nothing);
  });

  test('the folder goes away (a stick is pulled out): it stops and says so', async () => {
    const recorder = await start();
    recorder.frame(frame(0));
    await expect.poll(() => recorder.status.frames).toBe(1);
    await rm(folder, { recursive: true });
    recorder.frame(frame(1));
    await recorder.stop();
    expect(recorder.status).toMatchObject({ state: 'stopped', message: expect.stringMatching(/written/) });
  });

  test('stopped before a frame came: the folder can be named again', async () => {
    await (await start()).stop();
    await (await start()).stop();
    expect(await readdir(folder)).toEqual([]);
  });

  test('a folder that holds something, or cannot be made, is refused in one line', async () => {
    await mkdir(folder);
    await writeFile(join(folder, 'dear.txt'), 'x');
    await expect(start()).rejects.toThrow(/not empty; name a new one$/);
    await expect(Recorder.start('/proc/none/here', { camera: 'sim', limitBytes: 1 })).rejects.toThrow(
      /^cannot record to [^\n]*name another folder$/,
    );
  });

  test('cut off in the middle: what was whole is read, the rest passed over', async () => {
    const recorder = await start();
    for (let i = 0; i < 4; i++) recorder.frame(frame(i));
    await recorder.stop();
    const segment = join(folder, '000000');
    await truncate(join(segment, '000001.jpg'), 40);
    await rm(join(segment, '000002.jpg'));
    await appendFile(join(segment, 'index.jsonl'), '{"type":"weather","frame":3}\n{"type":"frame","frame":4,"fi');
    expect((await read()).map(({ number }) => number)).toEqual([0, 3]);
  });

  test('what is no recording, or a later one, is refused in one line', async () => {
    await expect(Recording.open(folder)).rejects.toThrow(/there is no folder/);
    await mkdir(folder);
    await expect(Recording.open(folder)).rejects.toThrow(/is no recording/);
    const about = { format: 'nightring-recording', version: 2, camera: 'sim', startedUtc: '2027-01-01T00:00:00Z' };
    await writeFile(join(folder, 'recording.json'), JSON.stringify(about));
    await expect(Recording.open(folder)).rejects.toThrow(/of version 2; a newer Nightring reads it/);
    expect(await listRecordings(parent)).toEqual([]);
  });

  test('an index that names files elsewhere is not followed', async () => {
    const recorder = await start();
    recorder.frame(frame(0));
    await recorder.stop();
    const index = join(folder, '000000', 'index.jsonl');
    await writeFile(join(parent, 'secret.jpg'), Buffer.alloc(100));
    await writeFile(index, (await readFile(index, 'utf8')).replace('000000.jpg', '../../secret.jpg'));
    expect(await read()).toEqual([]);
  });
});

test('recordings are listed, newest first, with their length', async () => {
  for (const name of ['a', 'b']) {
    const recorder = await Recorder.start(join(parent, name), { camera: 'usb', limitBytes: 1e9 });
    for (let i = 0; i < 3; i++) recorder.frame(frame(i));
    await recorder.stop();
    await new Promise((resolve) => setTimeout(resolve, 5));
  }
  await mkdir(join(parent, 'other'));
  const listed = await listRecordings(parent);
  expect(listed.map((one) => one.folder)).toEqual([join(parent, 'b'), join(parent, 'a')]);
  expect(listed[0]).toMatchObject({ camera: 'usb', heldS: 0.08 });
});

afterEach(() => expect(process.exitCode).toBeUndefined());
