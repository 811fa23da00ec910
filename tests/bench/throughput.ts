/**
 * Frames a second from one virtual camera, and what they cost: through the library's own command line, through the
 * addon, the camera's process, the host, and the page that measures them. `npm run bench -- throughput --help`.
 */
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { Command } from 'commander';
import { WebSocket } from 'ws';
import { Camera } from '../../host/cameras/camera.ts';
import { launchBrowser, startHost } from '../browser/support.ts';
import { startPacedCamera } from './camera.ts';
import { percentiles } from './measurement.ts';
import { childOf, cpuS } from './processes.ts';
import { openUnwatched } from './unwatched.ts';

const CAMERA_CHILD = /cameras\/child\.ts/;
/** Frames at the start are not counted: first live view, compiling. */
const WARM_UP_MS = 3000;

interface Figures {
  stage: string;
  framesPerS: number;
  /** CPU time for each second, in per cent of one core, of all processes that take part but the virtual camera. */
  cpuPercent: number;
  /** Frame received to frame measured, ms, p50 and p95. */
  latencyMs?: [number, number];
  /** Of these decoding and measuring, p50 and p95. */
  decodeMs?: [number, number];
  measureMs?: [number, number];
}

interface Sample {
  toScreenMs: number;
  decodeMs: number;
  measureMs: number;
}

/** Counts frames and CPU time over a while. */
class Meter {
  readonly #cpuS: () => number;
  readonly #seconds: number;
  #from: { atMs: number; cpuS: number } | null = null;
  #to: { atMs: number; cpuS: number } | null = null;
  #frames = 0;
  #startMs: number | null = null;
  readonly done = Promise.withResolvers<void>();

  constructor(seconds: number, cpuNow: () => number) {
    this.#seconds = seconds;
    this.#cpuS = cpuNow;
  }

  /** A frame has come; true when it was the last to be counted. */
  frame(): boolean {
    const atMs = performance.now();
    if (this.#to) return true;
    this.#startMs ??= atMs;
    if (!this.#from) {
      if (atMs - this.#startMs > WARM_UP_MS) this.#from = { atMs, cpuS: this.#cpuS() };
      return false;
    }
    this.#frames++;
    if (atMs - this.#from.atMs < this.#seconds * 1000) return false;
    this.#to = { atMs, cpuS: this.#cpuS() };
    this.done.resolve();
    return true;
  }

  figures(stage: string): Figures {
    const spanS = (this.#to!.atMs - this.#from!.atMs) / 1000;
    const cpuPercent = (100 * (this.#to!.cpuS - this.#from!.cpuS)) / spanS;
    return { stage, framesPerS: this.#frames / spanS, cpuPercent };
  }
}

/** `gphoto2 --capture-movie --stdout`: JPEG after JPEG, each beginning with FF D8 FF. */
async function commandLine(port: string, seconds: number): Promise<Figures> {
  const args = ['--port', port, '--camera', 'PTP/IP Camera', '--capture-movie', '--stdout'];
  const movie = spawn('gphoto2', args, { stdio: ['ignore', 'pipe', 'ignore'] });
  const meter = new Meter(seconds, () => cpuS(movie.pid!));
  let tail = Buffer.alloc(0);
  movie.stdout.on('data', (data: Buffer) => {
    const bytes = Buffer.concat([tail, data]);
    for (let at = bytes.indexOf('ffd8ff', 0, 'hex'); at >= 0; at = bytes.indexOf('ffd8ff', at + 3, 'hex'))
      meter.frame();
    tail = bytes.subarray(-2);
  });
  const fail = () => {
    throw new Error(
      'gphoto2 did not run, or ended by itself; install the Debian package gphoto2, then run this again.',
    );
  };
  const ended = once(movie, 'close').then(fail, fail);
  await Promise.race([meter.done.promise, ended]);
  ended.catch(() => {});
  movie.kill('SIGINT');
  await once(movie, 'close').catch(() => {});
  return meter.figures('gphoto2 --capture-movie');
}

/** The addon alone, in a process of its own that tells of each frame. */
async function addon(port: string, seconds: number): Promise<Figures> {
  const program = `
    const { openCamera } = await import(${JSON.stringify(new URL('../../native/index.ts', import.meta.url).href)});
    const camera = await openCamera({ port: ${JSON.stringify(port)} });
    process.stdin.on('end', async () => { await camera.close(); process.exit(); }).resume();
    for (;;) { await camera.frame(); process.stdout.write('.'); }`;
  const node = spawn(process.execPath, ['--input-type=module', '-e', program], { stdio: ['pipe', 'pipe', 'ignore'] });
  const meter = new Meter(seconds, () => cpuS(node.pid!));
  node.stdout.on('data', (dots: Buffer) => {
    for (let i = 0; i < dots.length; i++) meter.frame();
  });
  const ended = once(node, 'close');
  await meter.done.promise;
  node.stdin.end();
  await ended;
  return meter.figures('addon');
}

async function cameraProcess(port: string, seconds: number): Promise<Figures> {
  const camera = new Camera(port);
  const meter = new Meter(seconds, () => {
    const { user, system } = process.cpuUsage();
    return (user + system) / 1e6 + cpuS(childOf(process.pid, CAMERA_CHILD));
  });
  while (await camera.nextFrame()) if (meter.frame()) break;
  await camera.close();
  return meter.figures('camera process');
}

/** As the page asks: the next frame as soon as one has come. */
async function host(port: string, seconds: number): Promise<Figures> {
  const running = await startHost(port);
  const cookie = (await fetch(running.url)).headers.get('set-cookie')!.split(';')[0];
  const { host: address } = new URL(running.url);
  const socket = new WebSocket(`ws://${address}/live`, { headers: { cookie, origin: `http://${address}` } });
  const meter = new Meter(seconds, () => cpuS(running.pid));
  const ask = () => socket.send('{"type":"next"}');
  socket.on('open', ask);
  socket.on('message', (_data, isBinary) => {
    if (!isBinary) return;
    meter.frame();
    ask();
  });
  await meter.done.promise;
  socket.terminate();
  await running.stop();
  return meter.figures('host');
}

async function page(port: string, seconds: number): Promise<Figures> {
  const running = await startHost(port);
  const browser = await launchBrowser();
  const chromium = childOf(process.pid, /chromium/);
  // Kept there and asked for twice: a message for each frame would cost as much as drawing it.
  const evaluate = await openUnwatched(
    browser,
    running.url,
    `const samples = [];
    document.addEventListener('nightring-frame', ({ detail: { toScreenMs, decodeMs, measureMs } }) => {
      samples.push({ toScreenMs, decodeMs, measureMs });
    });`,
  );
  while (!((await evaluate<number>('samples.length')) > 0)) await sleep(100);
  const take = async () => {
    const samples = await evaluate<Sample[]>('samples.splice(0)');
    return { samples, atS: performance.now() / 1000, cpuS: cpuS(running.pid) + cpuS(chromium) };
  };
  await sleep(WARM_UP_MS);
  const from = await take();
  await sleep(1000 * seconds);
  const { samples, ...to } = await take();
  await browser.close();
  await running.stop();
  const spanS = to.atS - from.atS;
  const of = (name: keyof Sample) => percentiles(samples.map((sample) => sample[name]));
  return {
    stage: 'page, measured',
    framesPerS: samples.length / spanS,
    cpuPercent: (100 * (to.cpuS - from.cpuS)) / spanS,
    latencyMs: of('toScreenMs'),
    decodeMs: of('decodeMs'),
    measureMs: of('measureMs'),
  };
}

const both = (ms: [number, number]) => ms.map((value) => value.toFixed(1)).join(' / ');

const STAGES = [commandLine, addon, cameraProcess, host, page];

export async function benchThroughput(framesPerS: number, seconds: number, rounds: number): Promise<Figures[]> {
  const camera = await startPacedCamera(framesPerS);
  const all: Figures[] = [];
  try {
    // In turn, so that whatever else the machine does meets all alike.
    for (let round = 0; round < rounds; round++)
      for (const stage of STAGES) {
        const figures = await stage(camera.port, seconds);
        all.push(figures);
        console.error(`round ${round + 1}: ${figures.stage} ${figures.framesPerS.toFixed(1)} frames a second`);
      }
  } finally {
    camera.process.kill();
  }
  return STAGES.map((_, index) => mean(all.filter((_figures, at) => at % STAGES.length === index)));
}

function mean(rounds: Figures[]): Figures {
  const of = (pick: (figures: Figures) => number) => rounds.reduce((sum, one) => sum + pick(one), 0) / rounds.length;
  const ofBoth = (name: 'latencyMs' | 'decodeMs' | 'measureMs'): [number, number] | undefined =>
    rounds[0][name] && [of((one) => one[name]![0]), of((one) => one[name]![1])];
  return {
    stage: rounds[0].stage,
    framesPerS: of((one) => one.framesPerS),
    cpuPercent: of((one) => one.cpuPercent),
    latencyMs: ofBoth('latencyMs'),
    decodeMs: ofBoth('decodeMs'),
    measureMs: ofBoth('measureMs'),
  };
}

export async function main(args: string[]): Promise<void> {
  const { fps, seconds, rounds, json } = new Command('npm run bench -- throughput')
    .description('Frames a second and CPU through each part of the chain, beside gphoto2 on the same virtual camera.')
    .option('--fps <n>', 'pictures a second that the camera makes', Number, 60)
    .option('--seconds <n>', 'counted for each part and round', Number, 10)
    .option('--rounds <n>', 'how often each part has its turn', Number, 2)
    .option('--json', 'one JSON document')
    .parse(args, { from: 'user' })
    .opts<{ fps: number; seconds: number; rounds: number; json?: true }>();
  const figures = await benchThroughput(fps, seconds, rounds);
  if (json) {
    console.log(JSON.stringify(figures, null, 1));
    return;
  }
  console.log(`${fps} frames a second offered, ${seconds} s × ${rounds}`);
  console.log(`${''.padEnd(24)}  frames/s  of gphoto2's  CPU %  frame to measurement, ms p50 / p95`);
  for (const { stage, framesPerS, cpuPercent, latencyMs, decodeMs, measureMs } of figures)
    console.log(
      [
        stage.padEnd(24),
        framesPerS.toFixed(1).padStart(8),
        (framesPerS / figures[0].framesPerS).toFixed(3).padStart(12),
        cpuPercent.toFixed(0).padStart(5),
        latencyMs ? `${both(latencyMs)} (decoding ${both(decodeMs!)}, measuring ${both(measureMs!)})` : '',
      ]
        .join('  ')
        .trimEnd(),
    );
}

if (process.argv[1] === fileURLToPath(import.meta.url)) await main(process.argv.slice(2));
