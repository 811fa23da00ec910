import { setTimeout as sleep } from 'node:timers/promises';
import { shortNames } from '../../core/camera/config.ts';
import { magnificationOf } from '../../core/camera/magnify.ts';
import type { FrameMode } from '../../core/frame.ts';
import { type Camera, type CameraSetting, GP, GphotoError, listCameras, openCamera } from '../../native/index.ts';
import { toCameraError } from './gphoto-errors.ts';
import { CameraError, type CameraErrorCode, type CameraSource, type ConfigValue } from './source.ts';
import { wholenessOf } from './whole.ts';

/** A picture that fails for no lasting reason is asked for again so often, so long apart. */
const RETRIES = 10;
const RETRY_AFTER_MS = 100;
/** Failures that may pass: busy, an answer the driver makes nothing of, data that is no picture. */
const PASSING = new Set<number>([GP.CAMERA_BUSY, GP.ERROR, GP.CORRUPTED_DATA]);
/** What they turn out to mean where it is no use to ask again. */
const LASTING = new Set<CameraErrorCode>(['refused', 'lost']);

/** Most events that are taken after one picture; a camera that has no more is left in peace for so long. */
const EVENTS_AT_ONCE = 8;
const QUIET_MS = 1000;
/** Longer in proportion where to be told so takes longer than this: on USB some drivers wait for 150 ms. */
const SWIFT_MS = 10;
/** Most events before a photograph: whoever tells something without end does not keep it from being taken. */
const EVENTS_BEFORE_CAPTURE = 500;

/**
 * A camera at a port of libgphoto2: 'usb' (the first one), 'usb:001,004', 'ptpip:ADDRESS:PORT:PORT'. A USB camera that
 * was plugged in again has another number; when there is only one, it is that one, unless it says that it is another.
 * @param identity of the body that was there before
 * @throws CameraError
 */
export async function openGphoto(port: string, identity: string | null = null): Promise<CameraSource> {
  try {
    let renumbered = false;
    const camera = await openCamera({ port }).catch(async (error: unknown) => {
      renumbered = port.startsWith('usb:') && error instanceof GphotoError && error.code === GP.MODEL_NOT_FOUND;
      const [only, ...others] = renumbered ? await listCameras() : [];
      if (!only || others.length > 0) throw error;
      return openCamera({ port: only.port });
    });
    // Live view works without them, only its scale stays unknown then.
    const settings = await camera.config().catch((): CameraSetting[] => []);
    const source = new GphotoSource(port, camera, settings);
    if (!renumbered || identity === null || source.identity === identity) return source;
    await source.close();
    throw new CameraError(
      'not-found',
      `another camera is connected than the one at '${port}'; choose it in Settings, or put the first one back`,
    );
  } catch (error) {
    throw toCameraError(error, port);
  }
}

/** Cameras found on USB. @throws CameraError */
export async function listGphoto(): Promise<{ name: string; label: string }[]> {
  const found = await listCameras().catch((error: unknown) => {
    throw toCameraError(error, 'usb');
  });
  return found.map(({ model, port }) => ({ name: port, label: model }));
}

/** A body's own buttons magnify, too: what it says of that is read again so often. */
const MAGNIFIED_EVERY_MS = 2000;

class GphotoSource implements CameraSource {
  readonly name: string;
  readonly identity: string | undefined;
  readonly #camera: Camera;
  readonly #events: Events;
  #magnification: number | null = null;
  /** Settings that tell the magnification; text is only written there. */
  readonly #magnifiers: string[];
  #magnifiedMs = 0;
  #sequence = 0;
  #closed = false;

  constructor(name: string, camera: Camera, settings: readonly CameraSetting[]) {
    this.name = name;
    this.#camera = camera;
    this.#events = new Events(camera);
    const told = ['cameramodel', 'serialnumber'].map((key) => settings.find(({ name }) => name === key)?.value ?? '');
    this.identity = told.every((value) => value !== '') ? told.join(' ') : undefined;
    for (const { name, value } of settings) this.#noteMagnification(name, value);
    this.#magnifiers = settings
      .filter(({ type, name, value }) => type !== 'text' && magnificationOf(name, value) !== undefined)
      .map(({ name }) => name);
  }

  async start(...[onFrame, onEnd]: Parameters<CameraSource['start']>): Promise<void> {
    onFrame(await this.#nextFrame());
    const run = async () => {
      for (; !this.#closed; await this.#events.take()) {
        await this.#readMagnification();
        onFrame(await this.#nextFrame());
      }
    };
    run().catch((error) => {
      if (!this.#closed) onEnd(error);
    });
  }

  async readConfig(): Promise<ConfigValue[]> {
    const settings = await this.#try(this.#camera.config());
    for (const { name, value } of settings) if (this.#magnifiers.includes(name)) this.#noteMagnification(name, value);
    const names = shortNames(settings.map(({ path }) => path));
    return settings.map(({ path: _, ...rest }, i) => ({ ...rest, name: names[i] }));
  }

  async writeConfig(name: string, value: string): Promise<void> {
    await this.#try(this.#camera.setConfig(name, value));
    this.#noteMagnification(name, value);
  }

  async capture() {
    // The library takes the first picture that the camera tells of for the one it asked for.
    await this.#events.clear(EVENTS_BEFORE_CAPTURE);
    const { name, bytes } = await this.#try(this.#camera.capture());
    return this.#frame(name, bytes, { kind: 'still', magnification: null, pixelUm: null });
  }

  async close(): Promise<void> {
    this.#closed = true;
    await this.#camera.close();
  }

  async #nextFrame() {
    for (let retries = 0; ; retries++) {
      try {
        const { name, bytes } = await this.#camera.frame();
        if (!(await isWholeJpeg(bytes))) throw new GphotoError(GP.CORRUPTED_DATA, 'frame', 'The picture is not whole');
        return this.#frame(name, bytes, { kind: 'live', magnification: this.#magnification, pixelUm: null });
      } catch (error) {
        const described = toCameraError(error, this.name);
        const passing = error instanceof GphotoError && PASSING.has(error.code) && !LASTING.has(described.code);
        if (!passing || retries === RETRIES || this.#closed) throw described;
        await sleep(RETRY_AFTER_MS);
      }
    }
  }

  #frame(name: string, bytes: Uint8Array, mode: FrameMode) {
    return { sequence: this.#sequence++, timeUtc: new Date().toISOString(), bytes, name, mode };
  }

  async #readMagnification(): Promise<void> {
    if (performance.now() - this.#magnifiedMs < MAGNIFIED_EVERY_MS) return;
    for (const name of this.#magnifiers)
      await this.#camera.setting(name).then(
        ({ value }) => this.#noteMagnification(name, value),
        () => {}, // what fails here fails with the next picture, too
      );
    this.#magnifiedMs = performance.now();
  }

  #noteMagnification(name: string, value: string): void {
    const told = magnificationOf(name, value);
    if (told !== undefined) this.#magnification = told;
  }

  async #try<T>(call: Promise<T>): Promise<T> {
    return call.catch((error: unknown) => {
      throw toCameraError(error, this.name);
    });
  }
}

/**
 * What the camera has to tell, taken and dropped. In live view libgphoto2 (2.5.30 to 2.5.34) fetches the events of vendor
 * extension 0x0B with every picture and keeps them until somebody asks: memory would grow all night, and a photograph
 * goes through all of them first, in a time that grows with their square.
 */
export class Events {
  readonly #camera: Pick<Camera, 'waitEvent'>;
  readonly #quietMs: number;
  #quietUntilMs = 0;

  constructor(camera: Pick<Camera, 'waitEvent'>, quietMs = QUIET_MS) {
    this.#camera = camera;
    this.#quietMs = quietMs;
  }

  /** A few at a time, so that pictures go on meanwhile. */
  async take(): Promise<void> {
    if (performance.now() >= this.#quietUntilMs) await this.clear(EVENTS_AT_ONCE);
  }

  /** Never rejects: what fails here fails with the next call, too. */
  async clear(most: number): Promise<void> {
    for (let taken = 0; taken < most; taken++) {
      const askedMs = performance.now();
      const type = await this.#camera.waitEvent(1).then(
        (event) => event.type,
        () => 'timeout',
      );
      if (type !== 'timeout') continue;
      const nowMs = performance.now();
      this.#quietUntilMs = nowMs + this.#quietMs * Math.max(1, (nowMs - askedMs) / SWIFT_MS);
      return;
    }
  }
}

/** To its own end, not only to that of a thumbnail in it; bodies may send more behind it. */
async function isWholeJpeg(bytes: Buffer): Promise<boolean> {
  const read = async (offset: number, lengthBytes: number) => bytes.subarray(offset, offset + lengthBytes);
  return (await wholenessOf({ sizeBytes: bytes.length, read })) === 'whole';
}
