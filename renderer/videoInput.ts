/**
 * Capture devices that only the browser can open: webcams, HDMI grabbers. Their frames join those of the
 * host's cameras at the vision worker. No sound is ever asked for.
 */
import type { CameraInfo, CameraMessage, FrameHeader } from '../host/api.ts';
import { strings } from './strings.ts';

const PREFIX = 'video:';
/** Waits before the next try, s; the last one repeats. */
const BACKOFF_S = [1, 2, 4, 8];
/** A device that sends nothing for so long is lost, though the browser still calls it live. */
const SILENCE_MS = 10_000;
/** How long a device that is left is waited for. */
const LAST_PICTURE_MS = 1000;

/** The TypeScript library does not know it yet; https://w3c.github.io/mediacapture-transform/. */
declare class MediaStreamTrackProcessor {
  constructor(init: { track: MediaStreamTrack });
  readonly readable: ReadableStream<VideoFrame>;
}

export interface VideoPicture {
  header: FrameHeader;
  picture: VideoFrame;
}

export function isVideoInput(name: string): boolean {
  return name.startsWith(PREFIX);
}

/**
 * The capture devices there are, named by their label: other ids change with every start. Before the
 * browser was permitted to use the camera it tells no labels.
 * @param ask for the permission, where it is missing
 * @throws Error with one line for the user
 */
export async function videoInputs(ask = false): Promise<CameraInfo[]> {
  const devices = async () =>
    (await navigator.mediaDevices.enumerateDevices()).filter(({ kind }) => kind === 'videoinput');
  let found = await devices();
  if (ask && found.some(({ label }) => label === '')) {
    // Any device will do; one that is in use elsewhere is refused, but the permission then stands all the same.
    const refusal = await open({}).then(stop, (error: Error) => error);
    found = await devices();
    if (refusal && found.every(({ label }) => label === '')) throw refusal;
  }
  return found.flatMap(({ label }) => (label ? [{ name: PREFIX + label, label }] : []));
}

/** @throws Error with one line for the user */
async function open(wanted: MediaTrackConstraints): Promise<MediaStream> {
  try {
    return await navigator.mediaDevices.getUserMedia({ audio: false, video: wanted });
  } catch (error) {
    throw new Error(strings.videoInput.refused((error as DOMException).name));
  }
}

function stop(stream: MediaStream | null): void {
  for (const track of stream?.getTracks() ?? []) track.stop();
}

/** The picture without loss; it is closed. */
export async function pngOf(picture: VideoFrame): Promise<Blob> {
  const canvas = new OffscreenCanvas(picture.displayWidth, picture.displayHeight);
  canvas.getContext('2d', { alpha: false })!.drawImage(picture, 0, 0);
  picture.close();
  return canvas.convertToBlob({ type: 'image/png' });
}

/** One capture device, opened, and opened again when it is lost. The latest frame wins, none queue. */
export class VideoInput {
  readonly name: string;
  readonly #tell: (status: CameraMessage) => void;
  readonly #deliver: (frame: VideoPicture) => void;
  #status: CameraMessage;
  #stream: MediaStream | null = null;
  #latest: VideoPicture | null = null;
  #asked = false;
  #closed = false;
  #sequence = 0;
  #failures = 0;
  #retry: ReturnType<typeof setTimeout> | undefined;
  #silence: ReturnType<typeof setTimeout> | undefined;

  constructor(name: string, tell: (status: CameraMessage) => void, deliver: (frame: VideoPicture) => void) {
    this.name = name;
    this.#tell = tell;
    this.#deliver = deliver;
    this.#status = { type: 'camera', state: 'starting', name, message: '', delivered: 0, dropped: 0 };
    this.#run();
  }

  /** Asks for one frame: the latest not yet delivered, or the next to come. */
  ask(): void {
    this.#asked = true;
    this.#pass();
  }

  close(): void {
    this.#closed = true;
    clearTimeout(this.#retry);
    // The next picture ends it: Chromium loses one that comes while the track is being stopped, and its memory with it.
    this.#expectPicture(LAST_PICTURE_MS);
    this.#latest?.picture.close();
    this.#latest = null;
  }

  async #run(): Promise<void> {
    this.#update({ state: 'starting', retryInS: undefined }); // what was wrong stays said until it runs
    try {
      const track = await this.#open();
      const frames = new MediaStreamTrackProcessor({ track }).readable.getReader();
      this.#expectPicture();
      for (let next = await frames.read(); !next.done; next = await frames.read()) {
        this.#expectPicture();
        this.#take(next.value);
      }
      throw new Error(strings.videoInput.lost);
    } catch (error) {
      clearTimeout(this.#silence);
      stop(this.#stream);
      if (!this.#closed) this.#countDown((error as Error).message, this.#waitS());
    }
  }

  /** Ends the track, and so the reading, where no picture comes in time. */
  #expectPicture(withinMs = SILENCE_MS): void {
    clearTimeout(this.#silence);
    this.#silence = setTimeout(() => stop(this.#stream), withinMs);
  }

  async #open(): Promise<MediaStreamTrack> {
    const label = this.name.slice(PREFIX.length);
    await videoInputs(true);
    const devices = await navigator.mediaDevices.enumerateDevices();
    const device = devices.find((one) => one.kind === 'videoinput' && (one.label === label || one.deviceId === label));
    if (!device) throw new Error(strings.videoInput.missing(label));
    const stream = await open({
      deviceId: { exact: device.deviceId },
      width: { ideal: 1920 },
      height: { ideal: 1080 },
      frameRate: { ideal: 30 },
      // Pixels as they come: the browser would scale them to size otherwise.
      ...{ resizeMode: 'none' },
    });
    this.#stream = stream;
    if (this.#closed) stop(stream);
    return stream.getVideoTracks()[0];
  }

  #take(picture: VideoFrame): void {
    if (this.#closed) {
      picture.close();
      stop(this.#stream);
      return;
    }
    if (this.#status.state !== 'running') this.#update({ state: 'running', message: '' });
    this.#failures = 0;
    this.#latest?.picture.close();
    const dropped = this.#status.dropped + (this.#latest ? 1 : 0);
    const sequence = this.#sequence++;
    const timeUtc = new Date(performance.timeOrigin + performance.now()).toISOString();
    const mode = { kind: 'live', magnification: null, pixelUm: null } as const;
    this.#latest = { picture, header: { sequence, timeUtc, name: `video-${sequence}`, mode } };
    if (dropped !== this.#status.dropped) this.#update({ dropped });
    this.#pass();
  }

  #pass(): void {
    if (!this.#asked || !this.#latest) return;
    const frame = this.#latest;
    this.#latest = null;
    this.#asked = false;
    this.#update({ delivered: this.#status.delivered + 1 });
    this.#deliver(frame);
  }

  #waitS(): number {
    return BACKOFF_S[Math.min(this.#failures++, BACKOFF_S.length - 1)];
  }

  #countDown(message: string, retryInS: number): void {
    if (retryInS === 0) {
      void this.#run();
      return;
    }
    this.#update({ state: 'lost', message, retryInS });
    this.#retry = setTimeout(() => this.#countDown(message, retryInS - 1), 1000);
  }

  #update(change: Partial<CameraMessage>): void {
    this.#status = { ...this.#status, ...change };
    this.#tell(this.#status);
  }
}
