import type { Command } from 'commander';
import { LiveMeasurer } from '../../core/pattern/live.ts';
import { type CameraMessage, DEFAULT_RECORDING_MB, type RecordingMessage } from '../api.ts';
import { Camera } from '../cameras/camera.ts';
import { type KnownOptics, measureBytes } from '../measure.ts';
import { Recorder, RecordingError } from '../recording/recorder.ts';
import { jsonLine, textLine, worseExit } from './lines.ts';
import { Remarks } from './measure.ts';
import {
  knownOptics,
  type OpticsOptions,
  parseCamera,
  parseCount,
  parseRecordingLimit,
  parseSpeed,
  withOpticsOptions,
} from './options.ts';
import { CommandError, EXIT, remark, writeLine } from './output.ts';
import { strings } from './strings.ts';

/** A camera that was there and is lost for so long is gone for good while nothing is recorded, s. */
const GIVE_UP_S = 30;

interface WatchOptions extends OpticsOptions {
  camera: string;
  frames?: number;
  json?: boolean;
  record?: string;
  recordLimitMb: number;
  speed?: string;
}

export function addWatch(program: Command): void {
  withOpticsOptions(program.command('watch'))
    .summary(strings.watch.summary)
    .description(strings.watch.summary)
    .requiredOption('--camera <NAME>', strings.options.camera, parseCamera)
    .option('--frames <N>', strings.options.frames, parseCount)
    .option('--json', strings.options.json)
    .option('--record <DIR>', strings.options.record)
    .option('--record-limit-mb <N>', strings.options.recordLimitMb, parseRecordingLimit, DEFAULT_RECORDING_MB)
    .option('--speed <X>', strings.options.speed, parseSpeed)
    .addHelpText('after', strings.watch.help)
    .action(async (options: WatchOptions) => {
      process.exitCode = await watch(options, await knownOptics(options));
    });
}

async function watch(options: WatchOptions, known: KnownOptics): Promise<number> {
  const { frames = Infinity, json: asJson = false } = options;
  const isReplay = options.camera.startsWith('replay:');
  if (options.speed !== undefined && !isReplay) throw new CommandError(strings.watch.speedOfReplay, EXIT.usage);
  const recorder = options.record === undefined ? null : await startRecording(options, options.record);
  let goneBecause: string | null = null;
  // A recording is for the night: the camera may get another battery.
  const patience = new Patience(recorder ? Infinity : GIVE_UP_S, (why) => {
    goneBecause = why;
    camera.close();
  });
  const camera: Camera = new Camera(options.camera, (status) => patience.note(status));
  if (options.speed) camera.writeConfig('speed', options.speed).catch(() => {}); // its failure ends the watch by itself
  let interrupted = false;
  const end = () => {
    interrupted = true;
    camera.close();
  };
  process.on('SIGINT', end).on('SIGTERM', end);

  const remarks = new Remarks();
  let optics: KnownOptics | null = null;
  let exit: number = EXIT.ok;
  let measurer: LiveMeasurer | null = null;
  for (let frameNumber = 1; frameNumber <= frames; frameNumber++) {
    const next = await camera.nextFrame();
    if (!next) break;
    const frame = recorder?.frame(next, next.anew ?? true) ?? next;
    optics ??= await withCamerasOwn(known, camera);
    // Each frame is measured for itself, but those of a recording as they were then.
    if (next.anew !== false || frame.anew) measurer = next.anew === undefined ? null : new LiveMeasurer();
    const recorded = { optics: frame.optics, measurer: frame.mode.kind === 'live' ? measurer : null };
    const outcome = await measureBytes(frame.bytes, frame.name, optics, frame.mode.pixelUm, recorded);
    if ('reading' in outcome) recorder?.reading(frame.sequence, outcome.optics, outcome.reading);
    else recorder?.unreadable(frame.sequence, outcome.unreadable.message);
    const head = { file: frame.name, frame: frameNumber, timeUtc: frame.timeUtc };
    await writeLine(asJson ? jsonLine(head, outcome) : textLine(head, outcome, 12));
    exit = worseExit(exit, outcome);
    remarks.note(outcome);
  }
  await camera.close();
  await recorder?.stop();
  if (!asJson) remarks.print();
  if (goneBecause !== null) throw new CommandError(goneBecause, EXIT.cameraGone);
  return interrupted && frames === Infinity ? EXIT.ok : exit;
}

async function startRecording({ camera, recordLimitMb }: WatchOptions, folder: string): Promise<Recorder> {
  const onStatus = ({ state, message }: RecordingMessage) => {
    if (state === 'stopped') remark(strings.watch.recordingStopped(message));
  };
  return Recorder.start(folder, { camera, limitBytes: recordLimitMb * 1e6, onStatus }).catch((error: Error) => {
    throw new CommandError(error.message, error instanceof RecordingError ? EXIT.usage : EXIT.failed);
  });
}

/**
 * Adds what the simulated camera says of its lens. A real camera is not asked: many show live view
 * with the aperture open, whatever f-number is set.
 */
async function withCamerasOwn(known: KnownOptics, camera: Camera): Promise<KnownOptics> {
  if (camera.name !== 'sim') return known;
  const config = await camera.readConfig().catch(() => []);
  const number = (name: string) => Number(config.find((value) => value.name === name)?.value ?? Number.NaN) || null;
  return { ...known, focalMm: known.focalMm ?? number('focalMm'), fNumber: known.fNumber ?? number('fNumber') };
}

/** Decides when a camera is gone for good: when it never was there, cannot come back, or stays away too long. */
class Patience {
  #hasRun = false;
  #lostSinceMs: number | null = null;
  #lastWhy = '';
  readonly #afterS: number;
  readonly #giveUp: (why: string) => void;

  constructor(afterS: number, giveUp: (why: string) => void) {
    this.#afterS = afterS;
    this.#giveUp = giveUp;
  }

  note({ state, name, message, retryInS }: CameraMessage): void {
    if (state === 'running') {
      this.#hasRun = true;
      this.#lostSinceMs = null;
      this.#lastWhy = '';
    }
    if (state !== 'lost') return;
    this.#lostSinceMs ??= Date.now();
    const isGone = !this.#hasRun || retryInS === undefined || Date.now() - this.#lostSinceMs > this.#afterS * 1000;
    if (isGone) {
      this.#giveUp(message);
      return;
    }
    // Said once, not with every second of the countdown.
    if (message !== this.#lastWhy) remark(strings.cameraLost(name, message, retryInS));
    this.#lastWhy = message;
  }
}
