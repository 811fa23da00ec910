import type { Frame } from '../../core/frame.ts';
import type { CameraMessage } from '../api.ts';
import { Camera } from '../cameras/camera.ts';
import { CameraError } from '../cameras/source.ts';

const NO_CAMERA: CameraMessage = { type: 'camera', state: 'none', name: '', message: '', delivered: 0, dropped: 0 };

/** The one camera in use, and whoever watches it. Cameras may be changed while frames are awaited. */
export class Station {
  #camera: Camera | null = null;
  #changed = Promise.withResolvers<void>();
  readonly #listeners = new Set<(status: CameraMessage) => void>();

  get status(): CameraMessage {
    return this.#camera?.status ?? NO_CAMERA;
  }

  /** @throws CameraError code 'closed' when none is chosen */
  get camera(): Camera {
    if (!this.#camera) throw new CameraError('closed', 'no camera is chosen; choose one first');
    return this.#camera;
  }

  onStatus(listener: (status: CameraMessage) => void): () => void {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  async choose(name: string): Promise<void> {
    await this.close();
    const camera: Camera = new Camera(name, () => this.#camera === camera && this.#tell());
    this.#camera = camera;
    this.#tell();
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

  async close(): Promise<void> {
    const camera = this.#camera;
    this.#camera = null;
    await camera?.close();
  }

  #tell(): void {
    for (const listener of this.#listeners) listener(this.status);
  }
}
