/** The camera process and what happens when it crashes, hangs or is not there. */
import { mkdtemp, rename, rm, stat, utimes, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import type { Frame } from '../../core/frame.ts';
import type { CameraMessage } from '../../host/api.ts';
import { Camera, type CameraProcess, forkProcess, type Launch } from '../../host/cameras/camera.ts';
import { Mailbox } from '../../host/cameras/mailbox.ts';
import type { FromCamera, ToCamera } from '../../host/cameras/messages.ts';
import { encoded, patternJpeg, picture, starOnlyJpeg } from './pictures.ts';

const frame = (sequence: number): Frame => ({
  sequence,
  timeUtc: '2026-01-17T21:04:05.000Z',
  bytes: new Uint8Array([sequence]),
  name: `${sequence}.jpg`,
  mode: { kind: 'live', magnification: 1, pixelUm: 4 },
});

describe('mailbox: the latest frame wins', () => {
  test('older frames give way and are counted; each is delivered once', async () => {
    const delivered: number[] = [];
    const mailbox = new Mailbox(({ sequence }) => delivered.push(sequence));
    const first = mailbox.put(frame(0));
    mailbox.put(frame(1));
    mailbox.put(frame(2));
    await first; // gave way
    expect(delivered).toEqual([]);
    mailbox.next();
    mailbox.next();
    expect(delivered).toEqual([2]);
    mailbox.put(frame(3));
    mailbox.put(frame(4));
    expect(delivered).toEqual([2, 3]);
    expect(mailbox.dropped).toBe(2);
  });
});

/** Processes that the test plays itself. */
const RUNNING = { type: 'running', identity: null } as const;

class FakeProcesses {
  readonly all: { sent: ToCamera[]; killed: boolean; say(message: FromCamera): void; exit(): void }[] = [];
  readonly launch: Launch = (onMessage, onExit): CameraProcess => {
    const fake = { sent: [] as ToCamera[], killed: false, say: onMessage, exit: onExit };
    this.all.push(fake);
    return { send: (message) => fake.sent.push(message), kill: () => (fake.killed = true) };
  };
  get last() {
    return this.all.at(-1)!;
  }
}

describe('restart', () => {
  let processes: FakeProcesses;
  let states: CameraMessage[];
  let camera: Camera;
  beforeEach(() => {
    vi.useFakeTimers();
    processes = new FakeProcesses();
    states = [];
    camera = new Camera('sim', (status) => states.push(status), processes.launch);
  });
  afterEach(async () => {
    const closed = camera.close();
    await vi.advanceTimersByTimeAsync(10_000);
    await closed;
    vi.useRealTimers();
  });

  test('after a crash: lost with a countdown, then another process with the same settings, no step of the motor repeated', async () => {
    processes.last.say(RUNNING);
    // The last one moves the motor of a body whose names the user has mapped.
    for (const [index, name] of ['ring', 'focusMotor', 'focusstep9'].entries()) {
      const written = camera.writeConfig(name, '6.4', name === 'focusstep9');
      processes.last.say({ type: 'answer', id: index + 1, answer: undefined });
      await written;
    }
    processes.last.exit();
    expect(camera.status).toMatchObject({ state: 'lost', retryInS: 1, message: expect.stringMatching(/./) });
    await vi.advanceTimersByTimeAsync(1000);
    expect(processes.all).toHaveLength(2);
    expect(processes.last.sent[0]).toMatchObject({ type: 'open', name: 'sim', settings: [['ring', '6.4']] });
    expect(camera.status.state).toBe('starting');
    processes.last.say(RUNNING);
    expect(camera.status).toEqual({
      type: 'camera',
      state: 'running',
      name: 'sim',
      message: '',
      delivered: 0,
      dropped: 0,
    });
  });

  test('what was set on one body is not set on another', async () => {
    processes.last.say({ type: 'running', identity: 'Body 1' });
    const written = camera.writeConfig('f-number', 'f/2.8');
    processes.last.say({ type: 'answer', id: 1, answer: undefined });
    await written;
    const restarted = async () => {
      processes.last.exit();
      await vi.advanceTimersByTimeAsync(camera.status.retryInS! * 1000);
      return processes.last.sent[0];
    };
    expect(await restarted()).toMatchObject({ identity: 'Body 1', settings: [['f-number', 'f/2.8']] });
    processes.last.say({ type: 'running', identity: 'Body 2' });
    expect(await restarted()).toMatchObject({ identity: 'Body 2', settings: [] });
  });

  test('a process that has ended its camera by itself is told to leave it in good order before it goes', async () => {
    processes.last.say(RUNNING);
    processes.last.say({ type: 'ended', error: { code: 'refused', message: 'the mode dial' } });
    expect(processes.all[0].sent.at(-1)).toMatchObject({ type: 'request', name: 'close' });
    expect(processes.all[0].killed).toBe(false);
    await vi.advanceTimersByTimeAsync(999);
    expect(processes.all[0].killed).toBe(true);
    expect(processes.all).toHaveLength(1);
  });

  test('a process that cannot be started at all: lost, and tried again', async () => {
    const failing = vi.fn<Launch>((_, onExit) => {
      queueMicrotask(onExit);
      return { send: () => {}, kill: () => {} };
    });
    const other = new Camera('sim', () => {}, failing);
    await vi.advanceTimersByTimeAsync(1);
    expect(other.status).toMatchObject({ state: 'lost', retryInS: 1 });
    await vi.advanceTimersByTimeAsync(1000);
    expect(failing).toHaveBeenCalledTimes(2);
    await other.close();
  });

  test('the waits grow up to 8 s, and start again once it has run well', async () => {
    const waits: number[] = [];
    for (let i = 0; i < 6; i++) {
      processes.last.say({ type: 'ended', error: { code: 'not-found', message: 'gone' } });
      waits.push(camera.status.retryInS!);
      await vi.advanceTimersByTimeAsync(camera.status.retryInS! * 1000);
    }
    expect(waits).toEqual([1, 2, 4, 8, 8, 8]);
    processes.last.say(RUNNING);
    for (let second = 0; second < 20; second++) {
      await vi.advanceTimersByTimeAsync(1000);
      processes.last.say({ type: 'alive' });
    }
    processes.last.exit();
    expect(camera.status.retryInS).toBe(1);
  });

  test('a process that says nothing any more is killed and replaced', async () => {
    processes.last.say(RUNNING);
    await vi.advanceTimersByTimeAsync(11_000);
    expect(processes.all[0].killed).toBe(true);
    expect(states.some(({ state, message }) => state === 'lost' && /hangs/.test(message))).toBe(true);
    expect(processes.all).toHaveLength(2);
  });

  test('a driver that hangs while it opens is given up, though its process still gives signs of life', async () => {
    for (let second = 0; second < 59; second++) {
      processes.last.say({ type: 'alive' });
      await vi.advanceTimersByTimeAsync(1000);
    }
    expect(camera.status.state).toBe('starting');
    await vi.advanceTimersByTimeAsync(1000);
    expect(processes.all[0].killed).toBe(true);
    expect(camera.status).toMatchObject({ state: 'lost', code: 'timeout', retryInS: 1 });
  });

  test('tries at once when told to, also where it would not by itself', async () => {
    camera.retryNow(); // nothing to do while it starts
    expect(processes.all).toHaveLength(1);
    processes.last.say({ type: 'ended', error: { code: 'in-use', message: 'taken' } });
    expect(camera.status).toMatchObject({ state: 'lost', retryInS: 1 });
    camera.retryNow();
    expect(processes.all).toHaveLength(2);
    expect(camera.status.state).toBe('starting');
    await vi.advanceTimersByTimeAsync(5000); // the wait that was cut short does not start another
    expect(processes.all).toHaveLength(2);
    processes.last.say({ type: 'ended', error: { code: 'missing-library', message: 'not there' } });
    expect(camera.status.retryInS).toBeUndefined();
    camera.retryNow();
    expect(processes.all).toHaveLength(3);
  });

  test('a photograph may take as long as a long exposure with its dark frame; other answers may not', async () => {
    const quiet = async (seconds: number) => {
      for (let second = 0; second < seconds; second++) {
        processes.last.say({ type: 'alive' });
        await vi.advanceTimersByTimeAsync(1000);
      }
    };
    processes.last.say(RUNNING);
    const config = expect(camera.readConfig()).rejects.toMatchObject({ code: 'timeout' });
    const shot = camera.capture();
    await quiet(90);
    await config;
    processes.last.say({ type: 'answer', id: 2, answer: frame(5) });
    expect((await shot).sequence).toBe(5);
    const never = expect(camera.capture()).rejects.toMatchObject({ code: 'timeout' });
    await quiet(200);
    await never;
  });

  test('a request under way is refused when the process ends', async () => {
    processes.last.say(RUNNING);
    const config = camera.readConfig();
    processes.last.exit();
    await expect(config).rejects.toMatchObject({ name: 'CameraError', code: 'lost' });
  });

  test('a frame asked for before the crash comes after it; numbers go on, counts add up', async () => {
    processes.last.say(RUNNING);
    const first = camera.nextFrame();
    processes.last.say({ type: 'frame', frame: frame(7), dropped: 3 });
    expect((await first)!.sequence).toBe(7);
    const second = camera.nextFrame();
    processes.last.exit();
    await vi.advanceTimersByTimeAsync(1000);
    expect(processes.last.sent.map(({ type }) => type)).toEqual(['open', 'next']);
    processes.last.say({ type: 'frame', frame: frame(0), dropped: 2 });
    expect((await second)!.sequence).toBe(8);
    expect(camera.status).toMatchObject({ delivered: 2, dropped: 5 });
  });

  test('one credit at a time however many wait', async () => {
    processes.last.say(RUNNING);
    const [a, b] = [camera.nextFrame(), camera.nextFrame()];
    expect(processes.last.sent.filter(({ type }) => type === 'next')).toHaveLength(1);
    processes.last.say({ type: 'frame', frame: frame(0), dropped: 0 });
    expect((await a)!.name).toBe((await b)!.name);
  });

  test('what a new start cannot mend is not tried again', async () => {
    processes.last.say({ type: 'ended', error: { code: 'missing-library', message: 'no addon' } });
    expect(camera.status).toMatchObject({ state: 'lost', code: 'missing-library' });
    expect(camera.status.retryInS).toBeUndefined();
    await vi.advanceTimersByTimeAsync(60_000);
    expect(processes.all).toHaveLength(1);
  });

  test('closing answers whoever waits', async () => {
    const waiting = camera.nextFrame();
    const closed = camera.close();
    await vi.advanceTimersByTimeAsync(5000);
    await closed;
    expect(await waiting).toBeNull();
    expect(await camera.nextFrame()).toBeNull();
    expect(processes.last.killed).toBe(true);
  });
});

describe('real processes', () => {
  test('the simulated camera survives a killed process with its ring where it was', async () => {
    const processes: CameraProcess[] = [];
    const states: string[] = [];
    const launch: Launch = (onMessage, onExit) => {
      const process = forkProcess(onMessage, onExit);
      processes.push(process);
      return process;
    };
    const camera = new Camera('sim', ({ state }) => states.push(state), launch);
    try {
      const before = await camera.nextFrame();
      expect(before!.mode.kind).toBe('live');
      await camera.writeConfig('ring', '6.2');
      processes[0].kill();
      await vi.waitFor(() => expect(states).toContain('lost'), 10_000);
      await vi.waitFor(() => expect(camera.status.state).toBe('running'), 30_000);
      const ring = (await camera.readConfig()).find(({ name }) => name === 'ring');
      expect(ring).toMatchObject({ value: '6.2', type: 'range', range: { min: 0, max: 10 } });
      expect((await camera.nextFrame())!.sequence).toBeGreaterThan(before!.sequence);
    } finally {
      await camera.close();
    }
  });

  test('the simulated camera refuses what it does not have', async () => {
    const camera = new Camera('sim');
    try {
      await camera.nextFrame();
      for (const [name, value] of [
        ['zoom', '3'],
        ['ring', '11'],
        ['ring', ''],
        ['ring', 'a bit'],
        ['focalMm', '28'],
        ['fNumber', '4'],
      ])
        await expect(camera.writeConfig(name, value)).rejects.toMatchObject({ code: 'refused' });
    } finally {
      await camera.close();
    }
  });
});

describe('a folder as a camera', () => {
  let folder: string;
  let camera: Camera;
  beforeEach(async () => {
    folder = await mkdtemp(join(tmpdir(), 'nightring-folder-'));
  });
  afterEach(async () => {
    await camera.close();
    await rm(folder, { recursive: true, force: true });
  });
  const write = (name: string, text: string) => writeFile(join(folder, name), text);
  const next = async () => (await camera.nextFrame())!;

  test('pictures that are there in order of name, none dropped, then new ones; nothing else', async () => {
    for (const name of ['shot10.jpg', 'shot2.JPG', 'shot1.dng', 'notes.txt', '.hidden.jpg', 'shot3.tif.part'])
      await write(name, name);
    camera = new Camera(`folder:${folder}`);
    const names = [(await next()).name, (await next()).name, (await next()).name];
    expect(names).toEqual(['shot1.dng', 'shot2.JPG', 'shot10.jpg']);
    await write('later.png', 'later');
    expect((await next()).name).toBe('later.png');
    await write('shot1.dng', 'written anew');
    expect(Buffer.from((await next()).bytes).toString()).toBe('written anew');
    expect(camera.status).toMatchObject({ delivered: 5, dropped: 0 });
  });

  test('a picture that is still being written waits until it is whole', async () => {
    camera = new Camera(`folder:${folder}`);
    const frame = next();
    let passed = false;
    frame.then(() => (passed = true));
    let text = '';
    // Written in pieces, far faster than the folder is looked at, also on a busy machine.
    for (let piece = 0; piece < 75; piece++) {
      text += `piece ${piece};`;
      await write('slow.jpg', text);
      expect(passed).toBe(false);
      await new Promise((resolve) => setTimeout(resolve, 20));
    }
    expect(Buffer.from((await frame).bytes).toString()).toBe(text);
  });

  test('a copy that stalls half way, or was given its room beforehand, waits for its end', async () => {
    const jpeg = await patternJpeg();
    const png = await encoded(picture()).png().toBuffer();
    camera = new Camera(`folder:${folder}`);
    const first = next();
    let passed = false;
    first.then(() => (passed = true));
    const half = Buffer.from(jpeg).fill(0, jpeg.length >> 1);
    await writeFile(join(folder, 'stalled.jpg'), jpeg.subarray(0, jpeg.length >> 1));
    await writeFile(join(folder, 'allotted.jpg'), half);
    await writeFile(join(folder, 'stalled.png'), png.subarray(0, -20));
    await new Promise((resolve) => setTimeout(resolve, 1200)); // several looks without a change
    expect(passed).toBe(false);
    await writeFile(join(folder, 'stalled.jpg'), jpeg);
    const whole = [await first];
    await writeFile(join(folder, 'allotted.jpg'), jpeg);
    whole.push(await next());
    await writeFile(join(folder, 'stalled.png'), png);
    whole.push(await next());
    expect(whole.map(({ name, bytes }) => [name, bytes.length])).toEqual([
      ['stalled.jpg', jpeg.length],
      ['allotted.jpg', jpeg.length],
      ['stalled.png', png.length],
    ]);
  });

  test('of a folder nobody knows when the next picture comes: it is not taken for a camera that has stalled', async () => {
    await write('a.jpg', 'a');
    camera = new Camera(`folder:${folder}`);
    await next();
    await new Promise((resolve) => setTimeout(resolve, 12_000));
    await write('b.jpg', 'b');
    expect((await next()).name).toBe('b.jpg');
    expect(camera.status).toMatchObject({ state: 'running', delivered: 2 });
  });

  test('what gets no end is passed on in the end, to be told damaged', async () => {
    const jpeg = await patternJpeg();
    await writeFile(join(folder, 'cut.jpg'), jpeg.subarray(0, 1000));
    const longAgo = new Date(Date.now() - 60_000);
    await utimes(join(folder, 'cut.jpg'), longAgo, longAgo);
    camera = new Camera(`folder:${folder}`);
    expect(await next()).toMatchObject({ name: 'cut.jpg', timeUtc: longAgo.toISOString() });
  });

  test('renamed into place it comes once, whole; in place of another as a new one; temporary names never', async () => {
    const [a, b] = [await patternJpeg(), await starOnlyJpeg()];
    camera = new Camera(`folder:${folder}`);
    for (const name of ['.shot.jpg.Xy12ab', '.shot.jpg', 'shot.jpg.part', 'shot.jpg.tmp', '~shot.jpg', 'shot.jpg~'])
      await writeFile(join(folder, name), a);
    await rename(join(folder, '.shot.jpg.Xy12ab'), join(folder, 'shot.jpg'));
    const first = await next();
    expect([first.name, Buffer.from(first.bytes).equals(a)]).toEqual(['shot.jpg', true]);

    // Of the same size and time, as a program that keeps times may make it.
    const { size, mtime } = await stat(join(folder, 'shot.jpg'));
    const other = Buffer.concat([b, Buffer.alloc(Math.max(0, size - b.length))]);
    await writeFile(join(folder, 'shot.jpg.part'), other);
    await utimes(join(folder, 'shot.jpg.part'), mtime, mtime);
    await rename(join(folder, 'shot.jpg.part'), join(folder, 'shot.jpg'));
    const second = await next();
    expect([second.name, Buffer.from(second.bytes).equals(other)]).toEqual(['shot.jpg', true]);
    expect(camera.status.delivered).toBe(2);
  });

  test('a folder that goes away is lost, and found again', async () => {
    await write('a.jpg', 'a');
    camera = new Camera(`folder:${folder}`);
    await next();
    await rm(folder, { recursive: true });
    await vi.waitFor(() => expect(camera.status.state).toBe('lost'), 10_000);
    const { mkdir } = await import('node:fs/promises');
    await mkdir(folder);
    await write('b.jpg', 'b');
    expect((await next()).name).toBe('b.jpg');
  });
});
