/**
 * Cameras through libgphoto2: the TypeScript face of the addon in src/.
 *
 * Every camera has its own thread, and its calls run there one after the other in the order they were made;
 * nothing here blocks the event loop. Promises are rejected with GphotoError only. A call made after close(),
 * and one still waiting when close() is called, is rejected with code -112 (GP_ERROR_CANCEL); a camera that is
 * dropped without close() is closed when it is collected.
 *
 * Calls take an AbortSignal, and with AbortSignal.timeout() a limit of time. A call that still waits is then never
 * made. A running one is rejected at once, the driver is asked to give up, and what it still brings is dropped; but
 * libgphoto2 (2.5.34 too) looks for that only during USB transfers, so the camera may stay occupied until the
 * driver's own limit (2.5 s a network read, 20 s a USB one), and a driver that never returns needs its process
 * ended, which is why the host gives each camera one.
 */
import { createRequire } from 'node:module';

/** The codes of libgphoto2 (gphoto2-result.h, gphoto2-port-result.h) that callers tell apart. */
export const GP = {
  ERROR: -1,
  BAD_PARAMETERS: -2,
  UNKNOWN_PORT: -5,
  NOT_SUPPORTED: -6,
  IO: -7,
  TIMEOUT: -10,
  IO_INIT: -31,
  IO_READ: -34,
  IO_WRITE: -35,
  IO_UPDATE: -37,
  IO_USB_FIND: -52,
  IO_USB_CLAIM: -53,
  IO_LOCK: -60,
  CORRUPTED_DATA: -102,
  MODEL_NOT_FOUND: -105,
  CAMERA_BUSY: -110,
  CANCEL: -112,
  CAMERA_ERROR: -113,
  NO_SPACE: -115,
} as const;

/** A call to libgphoto2 that failed. */
export class GphotoError extends Error {
  override name = 'GphotoError';
  /** The library's numeric result, negative; see GP. */
  readonly code: number;
  /** What was being done: 'open', 'frame', 'capture', 'download', 'read configuration', … */
  readonly operation: string;
  /** What the driver said about it, else the library's text for the code; one line. */
  readonly text: string;
  /** What the library wrote to its error log meanwhile, for developers; often the only place that names the cause. */
  readonly log: string;

  constructor(code: number, operation: string, text: string, log = '') {
    super(`${operation}: ${text} (${code})`);
    this.code = code;
    this.operation = operation;
    this.text = text;
    this.log = log;
  }
}

/** The addon cannot be loaded: it was not built, or libgphoto2 is not installed. */
export class AddonMissingError extends Error {
  override name = 'AddonMissingError';
}

/** A place where a camera can be connected, such as path 'usb:001,004' or 'ptpip:'. */
export interface Port {
  path: string;
  name: string;
  type: 'usb' | 'ptpip' | 'ip' | 'serial' | 'disk' | 'other';
}

/** A camera found connected (USB; network cameras do not announce themselves). */
export interface ConnectedCamera {
  /** The library's name for it, as openCamera takes it. */
  model: string;
  port: string;
}

/** One setting of the camera, as its driver reports it. */
export interface CameraSetting {
  /** Place in the driver's tree, e.g. '/main/capturesettings/f-number'. */
  path: string;
  /** Last part of the path. */
  name: string;
  label: string;
  type: 'text' | 'range' | 'toggle' | 'choice' | 'button' | 'date';
  /** As text: a decimal number for 'range', '0' or '1' for 'toggle', seconds since 1970 for 'date', '' for 'button'. */
  value: string;
  readOnly: boolean;
  /** With type 'choice'. */
  choices?: string[];
  /** With type 'range'. */
  range?: { min: number; max: number; step: number };
}

export interface CameraEvent {
  /** 'timeout': nothing happened. 'other': something the library has no name for; see text. */
  type: 'timeout' | 'file-added' | 'folder-added' | 'file-changed' | 'capture-complete' | 'other';
  /** Path on the camera for file and folder events, the driver's words for 'other', else ''. */
  text: string;
}

export interface Picture {
  /** The file's name on the camera, for live view a name the driver made up. */
  name: string;
  /** Encoded bytes, the caller's own copy. */
  bytes: Buffer<ArrayBuffer>;
}

/** What every call takes; see the top of this file for what an abort can do. */
export interface CallOptions {
  signal?: AbortSignal;
}

/** An open camera. Every call @throws GphotoError, with code CANCEL or TIMEOUT when its signal was aborted. */
export interface Camera {
  /**
   * The next live-view picture (JPEG). The first call starts live view and may take seconds.
   * @throws GphotoError CAMERA_BUSY when the camera had no picture within the driver's patience (0.2 to 3 s);
   *   ERROR with a text when live view is not possible or the data is no JPEG
   */
  frame(options?: CallOptions): Promise<Picture>;
  /**
   * Takes a photograph and fetches it; resolves after exposure and transfer, and cannot be interrupted before.
   * @param options.to where the camera puts it, else where its setting 'capturetarget' says, which libgphoto2
   *   remembers for all cameras of the user; NOT_SUPPORTED when it has no such place
   * @param options.removeFromCard else a picture on the card stays there
   */
  capture(options?: CallOptions & { to?: 'memory' | 'card'; removeFromCard?: boolean }): Promise<Picture>;
  /** All settings in the driver's order. Reads them from the camera: slow (0.1 s and more). */
  config(options?: CallOptions): Promise<CameraSetting[]>;
  /** One setting, given by name or path, without reading the others; `path` is as given. @throws BAD_PARAMETERS when there is none */
  setting(name: string, options?: CallOptions): Promise<CameraSetting>;
  /**
   * Sets one setting, given by name or path, to a value written as in CameraSetting.
   * @throws GphotoError BAD_PARAMETERS, text fit for the user, when there is no such setting, it is read-only,
   *   or does not take the value
   */
  setConfig(name: string, value: string, options?: CallOptions): Promise<void>;
  /** The camera's next event, or 'timeout' after `timeoutMs`. Other calls wait meanwhile. */
  waitEvent(timeoutMs: number, options?: CallOptions): Promise<CameraEvent>;
  /**
   * Rejects waiting calls, lets the running one end, closes. A network connection in which the running call still
   * sticks after `graceMs` is broken. Never rejects; may be called again.
   */
  close(options?: { graceMs?: number }): Promise<void>;
}

interface Addon {
  libraryVersion: string;
  listPorts(): Promise<Port[]>;
  listCameras(): Promise<ConnectedCamera[]>;
  CameraHandle: new () => CameraHandle;
}

/** Every call starts with its number, for cancel(). */
interface CameraHandle {
  open(id: number, port: string, model: string): Promise<void>;
  frame(id: number): Promise<Picture>;
  capture(id: number, removeFromCard: boolean): Promise<Picture>;
  config(id: number): Promise<CameraSetting[]>;
  setting(id: number, name: string): Promise<CameraSetting>;
  setConfig(id: number, name: string, value: string): Promise<void>;
  waitEvent(id: number, timeoutMs: number): Promise<CameraEvent>;
  cancel(id: number): void;
  breakOff(): void;
  close(): Promise<void>;
}

let loaded: Addon | undefined;

function addon(): Addon {
  try {
    // The checks with a sanitizer load another build of the same addon.
    loaded ??= createRequire(import.meta.url)(
      process.env.NIGHTRING_GPHOTO_ADDON ?? './build/nightring_gphoto.node',
    ) as Addon;
    return loaded;
  } catch (cause) {
    throw new AddonMissingError(cause instanceof Error ? cause.message.split('\n')[0] : String(cause), { cause });
  }
}

/** The addon rejects with plain errors that carry code and operation; callers get the class. */
async function typed<T>(call: Promise<T>): Promise<T> {
  try {
    return await call;
  } catch (error) {
    const { code, operation, message, log } = error as Error & { code: number; operation: string; log: string };
    throw new GphotoError(code, operation, message, log);
  }
}

/** Version of the libgphoto2 in use, e.g. '2.5.30'. @throws AddonMissingError */
export function libraryVersion(): string {
  return addon().libraryVersion;
}

/** Ports of this machine, including one bare entry per network protocol. @throws GphotoError, AddonMissingError */
export async function listPorts(): Promise<Port[]> {
  return typed(addon().listPorts());
}

/** Cameras connected by USB; open ones are not disturbed. @throws GphotoError, AddonMissingError */
export async function listCameras(): Promise<ConnectedCamera[]> {
  return typed(addon().listCameras());
}

/**
 * Opens a camera.
 * @param port 'usb' for the first USB camera, a path of listPorts(), or 'ptpip:ADDRESS[:COMMANDPORT[:EVENTPORT]]'
 *   with a numeric IPv4 address
 * @param model as listCameras() gives it; found by itself for USB, 'PTP/IP Camera' for ptpip
 * @throws GphotoError MODEL_NOT_FOUND when there is no camera at the port, IO when it cannot be reached,
 *   IO_USB_CLAIM when another program holds it
 * @throws AddonMissingError
 */
export async function openCamera({
  port,
  model,
  signal,
}: CallOptions & { port: string; model?: string }): Promise<Camera> {
  const handle = new (addon().CameraHandle)();
  const close = async (graceMs: number) => {
    const timer = setTimeout(() => handle.breakOff(), graceMs);
    await handle.close().finally(() => clearTimeout(timer));
  };
  let calls = 0;
  /** Makes a call that the signal can end. */
  const call = <T>(operation: string, { signal }: CallOptions, make: (id: number) => Promise<T>): Promise<T> => {
    if (signal?.aborted) return Promise.reject(abortError(signal, operation));
    const id = ++calls;
    const made = typed(make(id));
    if (!signal) return made;
    return new Promise((resolve, reject) => {
      const abort = () => {
        handle.cancel(id);
        reject(abortError(signal, operation));
      };
      signal.addEventListener('abort', abort, { once: true });
      made.then(resolve, reject).finally(() => signal.removeEventListener('abort', abort));
    });
  };

  const known = model ?? (port.startsWith('ptpip:') ? 'PTP/IP Camera' : '');
  try {
    await call('open', { signal }, (id) => handle.open(id, port, known));
  } catch (error) {
    await close(0);
    throw error;
  }
  const camera: Camera = {
    frame: (options = {}) => call('frame', options, (id) => handle.frame(id)),
    async capture({ to, removeFromCard = false, ...options } = {}) {
      if (to) await chooseTarget(camera, to, options);
      return call('capture', options, (id) => handle.capture(id, removeFromCard));
    },
    config: (options = {}) => call('read configuration', options, (id) => handle.config(id)),
    setting: (name, options = {}) => call('read configuration', options, (id) => handle.setting(id, name)),
    setConfig: (name, value, options = {}) =>
      call('set configuration', options, (id) => handle.setConfig(id, name, value)),
    waitEvent: (timeoutMs, options = {}) => call('wait for event', options, (id) => handle.waitEvent(id, timeoutMs)),
    close: ({ graceMs = 2000 } = {}) => close(graceMs),
  };
  return camera;
}

function abortError(signal: AbortSignal, operation: string): GphotoError {
  const late = signal.reason instanceof DOMException && signal.reason.name === 'TimeoutError';
  return late
    ? new GphotoError(GP.TIMEOUT, operation, 'The camera took too long')
    : new GphotoError(GP.CANCEL, operation, 'The call was cancelled');
}

/** The driver's words for the places are 'Internal RAM' and 'Memory card', some bodies have more of them. */
async function chooseTarget(camera: Camera, to: 'memory' | 'card', options: CallOptions): Promise<void> {
  const { value, choices = [] } = await camera.setting('capturetarget', options);
  const wanted = choices.find((choice) => (to === 'card' ? /card/i : /\bs?d?ram\b/i).test(choice));
  if (!wanted) throw new GphotoError(GP.NOT_SUPPORTED, 'capture', `The camera cannot store pictures in its ${to}`);
  if (wanted !== value) await camera.setConfig('capturetarget', wanted, options);
}
