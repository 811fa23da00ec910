/**
 * The running evening: live frames in, one instruction out.
 * `WS /live` → vision worker → Tracker → guide → state that the screen reads.
 */
import { createContext, useContext, useSyncExternalStore } from 'react';
import {
  type CalibrationResult,
  calibrate,
  type TurnAnswer,
  type TurnProgress,
  turnProgress,
} from '../core/guide/calibrate.ts';
import { guide, type Instruction } from '../core/guide/guide.ts';
import { bodyInUse, livePixelUm } from '../core/kit/kit.ts';
import type { Optics, Reading } from '../core/measurement.ts';
import { type Track, Tracker } from '../core/track/track.ts';
import {
  type CameraMessage,
  type ClientMessage,
  type FrameHeader,
  type HostMessage,
  NOT_RECORDING,
  type RecordingMessage,
  type Settings,
} from '../host/api.ts';
import { api } from './api.ts';
import { calibrationOf } from './settings.ts';
import { isVideoInput, pngOf, VideoInput, type VideoPicture } from './videoInput.ts';
import { decode } from './vision/decode.ts';
import {
  type StarShot,
  splitMessage,
  type VisionFailure,
  type VisionMessage,
  type VisionRequest,
  type VisionResult,
} from './vision/protocol.ts';

export interface SessionState {
  /** Connection to the host. */
  link: 'connecting' | 'open' | 'closed';
  /** Why the vision worker cannot start; null while it can. */
  visionFailure: string | null;
  camera: CameraMessage;
  recording: RecordingMessage;
  /** How often something came or went on the host's USB. */
  plugged: number;
  header: FrameHeader | null;
  /** Lens, mask and pixel size that the newest reading used. */
  optics: Optics;
  reading: Reading | null;
  /** Null before the first frame. */
  track: Track | null;
  instruction: Instruction;
  /** Latest test shot, null before the first. */
  testShot: TestShot | null;
  /** Shots without the mask, the newest first, to be compared. */
  shots: Shot[];
  /** Smoothed time from the frame's time stamp to its drawing, ms; null before the first, and of a recording. */
  toScreenMs: number | null;
}

/** A shot without the mask. */
export interface Shot extends StarShot {
  id: number;
  header: FrameHeader;
}

/** Shots that are kept; each takes a few megabytes. */
const KEPT_SHOTS = 8;

export type TestShot =
  | { state: 'taking' }
  | { state: 'failed'; reason: string }
  | { state: 'measured'; result: VisionResult };

const RECONNECT_MS = 1000;
/** Numbers that change faster cannot be read; a new kind of instruction is told at once. */
const TELL_MS = 100;
/** Usual time between two frames of a live view. */
const FRAME_MS = 1000 / 30;
/** Without a frame for this long there is nothing to go by: an old instruction must not stand as if it were new. */
const STALE_MS = 2000;
const NO_CAMERA: CameraMessage = { type: 'camera', state: 'none', name: '', message: '', delivered: 0, dropped: 0 };

export class Session {
  #settings: Settings;
  #tint = true;
  #tracker = new Tracker();
  #worker: Worker;
  #socket: WebSocket | null = null;
  /** In use instead of the host's frames. */
  #video: VideoInput | null = null;
  #reconnect: ReturnType<typeof setTimeout> | undefined;
  #stale: ReturnType<typeof setTimeout> | undefined;
  #closed = false;
  #state: SessionState;
  #listeners = new Set<() => void>();
  #pictureListeners = new Set<(result: VisionResult) => void>();
  #turnStart: Track | null = null;
  /** A frame is on its way. */
  #asked = false;
  /** Frames being decoded or with the worker. */
  #inHand = 0;
  /** The last of those being decoded has gone to the worker. */
  #decoded = Promise.resolve();
  #measureMs = Number.POSITIVE_INFINITY;
  #toldMs = 0;

  constructor(settings: Settings) {
    this.#settings = settings;
    this.#state = {
      link: 'connecting',
      visionFailure: null,
      camera: NO_CAMERA,
      recording: NOT_RECORDING,
      plugged: 0,
      header: null,
      optics: opticsOf(settings, null),
      reading: null,
      track: null,
      instruction: { kind: 'no-pattern', reason: null },
      testShot: null,
      shots: [],
      toScreenMs: null,
    };
    this.#worker = new Worker(new URL('./vision/worker.ts', import.meta.url), { type: 'module' });
    this.#worker.onmessage = ({ data }: MessageEvent<VisionMessage>) => this.#onVision(data);
    this.#worker.onerror = (event) => this.#set({ visionFailure: event.message || 'worker stopped' });
    this.#connect();
  }

  subscribe = (listener: () => void): (() => void) => {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  };

  get state(): SessionState {
    return this.#state;
  }

  /** Pictures as they come. */
  onPicture(listener: (result: VisionResult) => void): () => void {
    this.#pictureListeners.add(listener);
    return () => this.#pictureListeners.delete(listener);
  }

  set tint(tint: boolean) {
    this.#tint = tint;
  }

  /** Offsets of another camera, lens or mask do not join the track so far. */
  set settings(settings: Settings) {
    const before = this.#settings;
    this.#settings = settings;
    const changed =
      before.camera !== settings.camera ||
      JSON.stringify([before.optics, before.mask]) !== JSON.stringify([settings.optics, settings.mask]);
    if (!changed) return;
    this.#tracker = new Tracker();
    // Nor does the way back that was told for them hold for these.
    this.#state = { ...this.#state, instruction: { kind: 'no-pattern', reason: null } };
  }

  /** Takes the track as it stands as the start of a calibration turn. */
  beginTurn(): void {
    this.#turnStart = this.#state.track;
  }

  get turnProgress(): TurnProgress | null {
    return this.#turnStart && this.#state.track && turnProgress(this.#turnStart, this.#state.track);
  }

  endTurn(answer: TurnAnswer): CalibrationResult {
    return calibrate(this.#turnStart!, this.#state.track!, answer, this.#state.optics);
  }

  /** By the camera itself, or from a file. */
  async takeTestShot(file?: File): Promise<void> {
    this.#set({ testShot: { state: 'taking' } });
    try {
      const { header, bytes } = await (file ? api.picture(file) : api.capture());
      this.#measure(header, bytes);
    } catch (error) {
      this.#set({ testShot: { state: 'failed', reason: (error as Error).message } });
    }
  }

  dismissTestShot(): void {
    this.#set({ testShot: null });
  }

  close(): void {
    this.#closed = true;
    clearTimeout(this.#reconnect);
    clearTimeout(this.#stale);
    this.#socket?.close();
    this.#video?.close();
    this.#worker.terminate();
  }

  #set(change: Partial<SessionState>): void {
    this.#state = { ...this.#state, ...change };
    this.#tell();
  }

  /** What comes with every frame: told at once where it is news, or else with what is told next. */
  #note(change: Partial<SessionState>, isNews: boolean): void {
    this.#state = { ...this.#state, ...change };
    if (isNews || performance.now() - this.#toldMs >= TELL_MS) this.#tell();
  }

  #noteCamera(camera: CameraMessage): void {
    this.#note({ camera }, standing(camera) !== standing(this.#state.camera));
  }

  #tell(): void {
    this.#toldMs = performance.now();
    for (const listener of this.#listeners) listener();
  }

  #show(result: VisionResult): void {
    for (const listener of this.#pictureListeners) listener(result);
  }

  #connect(): void {
    const url = new URL('/live', location.href);
    url.protocol = location.protocol === 'https:' ? 'wss:' : 'ws:';
    const socket = new WebSocket(url);
    socket.binaryType = 'arraybuffer';
    this.#socket = socket;
    socket.onopen = () => {
      this.#set({ link: 'open' });
      this.#asked = false;
      this.#askForFrame();
    };
    socket.onmessage = ({ data }) => {
      if (typeof data !== 'string') {
        const { header, bytes } = splitMessage(data);
        this.#take(header, bytes);
      } else {
        const message: HostMessage = JSON.parse(data);
        if (message.type === 'usb') this.#set({ plugged: this.#state.plugged + 1 });
        else if (message.type === 'recording') this.#set({ recording: message });
        else this.#useCamera(message);
      }
    };
    socket.onclose = () => {
      if (this.#closed) return;
      this.#set({ link: 'closed' });
      this.#reconnect = setTimeout(() => this.#connect(), RECONNECT_MS);
    };
  }

  /** The host says which camera is in use; a video input is for the page itself to open. */
  #useCamera(camera: CameraMessage): void {
    const video = isVideoInput(camera.name) ? camera.name : undefined;
    if (this.#video?.name !== video) {
      this.#video?.close();
      this.#video = video
        ? new VideoInput(
            video,
            (status) => this.#noteCamera(status),
            (frame) => void this.#takeVideo(frame),
          )
        : null;
      // What was asked of the other does not come.
      this.#asked = false;
      this.#askForFrame();
    }
    // Started by somebody, not by itself after a loss: what it shows does not join what was before.
    if (camera.state === 'starting' && this.#state.camera.state !== 'lost') this.#tracker = new Tracker();
    if (!this.#video) this.#noteCamera(camera);
  }

  /**
   * While one frame is decoded or measured the next one is on its way, and no more: none ever queues.
   * Where measuring takes long it would only grow old waiting.
   */
  #askForFrame(): void {
    if (
      this.#inHand > (this.#measureMs < FRAME_MS ? 1 : 0) ||
      this.#asked ||
      this.#state.visionFailure !== null ||
      !(this.#video || this.#socket?.readyState === WebSocket.OPEN)
    )
      return;
    this.#asked = true;
    if (this.#video) this.#video.ask();
    else this.#say({ type: 'next' });
  }

  #say(message: ClientMessage): void {
    if (this.#socket?.readyState === WebSocket.OPEN) this.#socket.send(JSON.stringify(message));
  }

  /** The frame that was asked for; the next one may come while this one is decoded. */
  #take(header: FrameHeader, bytes: Uint8Array<ArrayBuffer> | VideoFrame): void {
    void this.#measure(header, bytes);
    this.#received();
  }

  #received(): void {
    this.#asked = false;
    this.#askForFrame();
  }

  /** While a recording runs, the picture goes there first, and is measured as it will be when it is replayed. */
  async #takeVideo({ header, picture }: VideoPicture): Promise<void> {
    if (this.#state.recording.state !== 'recording') return this.#take(header, picture);
    try {
      const png = await pngOf(picture);
      const named = { ...header, name: `${header.name}.png` };
      const given = await api.recordFrame(named, png).catch(() => named);
      this.#take(given, new Uint8Array(await png.arrayBuffer()));
    } catch (error) {
      this.#unreadable({ header, reason: (error as Error).message });
      this.#received();
    }
  }

  async #measure(header: FrameHeader, bytes: Uint8Array<ArrayBuffer> | VideoFrame): Promise<void> {
    const optics = opticsOf(this.#settings, header);
    const start = performance.now();
    this.#inHand++;
    // Whichever is decoded first, the worker gets them as they came.
    const before = this.#decoded;
    const { promise, resolve } = Promise.withResolvers<void>();
    this.#decoded = promise;
    try {
      const picture = bytes instanceof VideoFrame ? bytes : await decode(bytes);
      const decodeMs = performance.now() - start;
      await before;
      this.#worker.postMessage({ header, picture, decodeMs, optics, tint: this.#tint } satisfies VisionRequest, [
        picture,
      ]);
    } catch (error) {
      await before;
      this.#inHand--;
      this.#unreadable({ header, reason: (error as Error).message });
      this.#askForFrame();
    } finally {
      resolve();
    }
  }

  /** Whether the host waits to hear what the frame was measured to be. */
  #isRecorded({ anew }: FrameHeader): boolean {
    return anew !== undefined && this.#state.recording.state === 'recording';
  }

  #onVision(message: VisionMessage): void {
    switch (message.type) {
      case 'unreadable':
        this.#inHand--;
        this.#askForFrame();
        this.#unreadable(message);
        break;
      case 'reading':
        this.#measureMs = message.measureMs;
        this.#inHand--;
        this.#askForFrame();
        if (this.#isRecorded(message.header)) {
          const { header, optics, reading } = message;
          this.#say({ type: 'reading', sequence: header.sequence, optics, reading });
        }
        if (message.header.mode.kind === 'still') {
          const { stars, header } = message;
          const newest = stars?.map.fit ? [{ ...stars, header, id: (this.#state.shots[0]?.id ?? 0) + 1 }] : [];
          const shots = [...newest, ...this.#state.shots].slice(0, KEPT_SHOTS);
          this.#set({ testShot: { state: 'measured', result: message }, shots });
          this.#show(message);
        } else this.#onReading(message);
        break;
    }
  }

  #unreadable({ header, reason }: Pick<VisionFailure, 'header' | 'reason'>): void {
    if (header.mode.kind === 'still') this.#set({ testShot: { state: 'failed', reason } });
    if (this.#isRecorded(header)) this.#say({ type: 'unreadable', sequence: header.sequence, reason });
  }

  #expectFrame(): void {
    clearTimeout(this.#stale);
    this.#stale = setTimeout(() => {
      const { name, state } = this.#state.camera;
      // A recording may be held, to be looked at.
      if (name.startsWith('replay:') && state === 'running') this.#expectFrame();
      else this.#set({ reading: null, instruction: { kind: 'no-pattern', reason: null }, toScreenMs: null });
    }, STALE_MS);
  }

  #onReading(result: VisionResult): void {
    this.#expectFrame();
    const { header, reading, optics } = result;
    const track = this.#tracker.push(Date.parse(header.timeUtc), reading);
    const { steadySeconds } = this.#settings;
    const instruction = guide(track, optics, calibrationOf(this.#settings), { steadySeconds }, this.#state.instruction);
    this.#show(result);
    const nowMs = performance.timeOrigin + performance.now();
    const toScreenMs = nowMs - Date.parse(header.timeUtc);
    const smoothedMs = this.#state.toScreenMs ?? toScreenMs;
    const isReplay = this.#state.camera.name.startsWith('replay:');
    const change = { header, optics, reading, track, instruction };
    const isNews = instruction.kind !== this.#state.instruction.kind;
    const shownMs = isReplay ? null : smoothedMs + (toScreenMs - smoothedMs) / 10;
    this.#note({ ...change, toScreenMs: shownMs }, isNews);
    // For bench and tests, which listen; costs nothing when nobody does.
    const { decodeMs, measureMs } = result;
    const detail = { toScreenMs, decodeMs, measureMs, sequence: header.sequence, reading };
    document.dispatchEvent(new CustomEvent('nightring-frame', { detail }));
  }
}

/** How a camera stands, without its counts of frames. */
function standing({ delivered, dropped, ...status }: CameraMessage): string {
  return JSON.stringify(status);
}

/**
 * The optics for a frame: those recorded with it; else what the camera says of its pixels comes before what the
 * user entered for live view. With a learned mask the pattern itself gives live view's scale, whatever its magnification.
 */
function opticsOf(settings: Settings, header: FrameHeader | null): Optics {
  if (header?.optics) return header.optics;
  const { optics, mask } = settings;
  const body = bodyInUse(settings);
  if (header?.mode.kind === 'still') return { ...optics, pixelUm: header.mode.pixelUm ?? body?.pixelUm ?? null, mask };
  const fromPattern = mask.learned && optics.focalMm !== null;
  const ofKit = body && livePixelUm(body, header?.mode.magnification ?? null);
  return { ...optics, pixelUm: header?.mode.pixelUm ?? (fromPattern ? null : (optics.pixelUm ?? ofKit)), mask };
}

export const SessionContext = createContext<Session | null>(null);

export function useSession(): Session {
  return useContext(SessionContext)!;
}

/** Re-renders when the selected part changes (compared by identity). */
export function useSessionState<T>(select: (state: SessionState) => T): T {
  const session = useSession();
  return useSyncExternalStore(session.subscribe, () => select(session.state));
}
