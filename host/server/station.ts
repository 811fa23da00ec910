import type { ConfigValue } from '../../core/camera/config.ts';
import type { Frame } from '../../core/frame.ts';
import type { CameraMessage, HostMessage } from '../api.ts';
import { Camera } from '../cameras/camera.ts';
import { watchUsb } from '../cameras/hotplug.ts';
import { isVideoInput } from '../cameras/open.ts';
import { CameraError } from '../cameras/source.ts';
import { Recorder } from '../recording/recorder.ts';

const NO_CAMERA: CameraMessage = { type: 'camera', state: 'none', name: '', message: '', delivered: 0, dropped: 0 };

/** The one camera in use, and whoever watches it. Cameras may be changed while frames are awaited. */
export class Station {
  #camera: Camera | null = null;
  readonly #unwatch: () => void;
  #changed = Promise.withResolvers<void>();
  readonly #listeners = new Set<(message: HostMessage) => void>();
  /** The video input that the page has opened instead, empty without one. */
  #videoInput = '';
  #recorder: Recorder | null = null;
  /** Cameras are changed one after the other: leaving one takes a while, and none may be left behind. */
  #changing: Promise<unknown> = Promise.resolve();
  #closed = false;

  /** @param usb where and how often to look for what is plugged in; for tests */
  constructor(usb?: Parameters<typeof watchUsb>[1]) {
    this.#unwatch = watchUsb(() => {
      // A camera that was lost is tried as soon as it may be back.
      if (this.#camera && /^usb\b/.test(this.#camera.name)) this.#camera.retryNow();
      this.#tell({ type: 'usb' });
    }, usb);
  }

  get status(): CameraMessage {
    return this.#camera?.status ?? { ...NO_CAMERA, name: this.#videoInput };
  }

  /** @throws CameraError code 'closed' when none is chosen */
  get camera(): Camera {
    if (this.#videoInput)
      throw new CameraError('unsupported', 'a video input has neither settings nor a shutter; use the camera itself');
    if (!this.#camera) throw new CameraError('closed', 'no camera is chosen; choose one first');
    return this.#camera;
  }

  /**
   * The settings of the camera in use; none without one, of a video input, and when it was left while they were read.
   * @throws CameraError
   */
  async readConfig(): Promise<ConfigValue[]> {
    // The page may still ask for those of the camera before.
    if (this.#videoInput) return [];
    try {
      return await this.camera.readConfig();
    } catch (error) {
      if (error instanceof CameraError && error.code === 'closed') return [];
      throw error;
    }
  }

  /** The recording under way, or the last one. */
  get recorder(): Recorder | null {
    return this.#recorder;
  }

  onStatus(listener: (message: HostMessage) => void): () => void {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  choose(name: string): Promise<void> {
    return this.#inTurn(() => this.#use(name));
  }

  #inTurn(change: () => Promise<void>): Promise<void> {
    const changed = this.#changing.then(change);
    this.#changing = changed.catch(() => {});
    return changed;
  }

  async #use(name: string): Promise<void> {
    if (this.#closed) return;
    await this.#leave();
    this.#videoInput = isVideoInput(name) ? name : '';
    if (this.#videoInput) return this.#tell(this.status);
    const camera: Camera = new Camera(name, (status) => this.#camera === camera && this.#tell(status));
    this.#camera = camera;
    this.#tell(this.status);
    this.#changed.resolve();
    this.#changed = Promise.withResolvers();
  }

  /** The next frame of whichever camera is in use then. */
  async nextFrame(): Promise<Frame> {
    for (;;) {
      const camera = this.#camera;
      const changed = this.#changed.promise;
      const frame = await camera?.nextFrame();
      if (frame) return frame;
      if (camera === this.#camera) await changed;
    }
  }

  /**
   * Records what is shown from now on.
   * @throws CameraError without a camera
   * @throws RecordingError
   */
  async record(folder: string, limitBytes: number): Promise<void> {
    const camera = this.#videoInput || this.camera.name;
    await this.stopRecording();
    this.#recorder = await Recorder.start(folder, { camera, limitBytes, onStatus: (status) => this.#tell(status) });
    this.#tell(this.#recorder.status);
  }

  async stopRecording(): Promise<void> {
    await this.#recorder?.stop();
  }

  close(): Promise<void> {
    this.#unwatch();
    this.#closed = true;
    return this.#inTurn(() => this.#leave());
  }

  /** Leaves the camera. With it the recording ends: one recording is of one camera. */
  async #leave(): Promise<void> {
    const camera = this.#camera;
    this.#camera = null;
    await Promise.all([camera?.close(), this.stopRecording()]);
  }

  #tell(message: HostMessage): void {
    for (const listener of this.#listeners) listener(message);
  }
}
