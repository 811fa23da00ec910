/**
 * Cameras through libgphoto2: the TypeScript face of the addon in src/.
 *
 * Every camera has its own thread, and its calls run there one after the other in the order they were made;
 * nothing here blocks the event loop. Promises are rejected with GphotoError only. A call made after close(),
 * and one still waiting when close() is called, is rejected with code -112 (GP_ERROR_CANCEL); a camera that is
 * dropped without close() is closed when it is collected.
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

  constructor(code: number, operation: string, text: string) {
    super(`${operation}: ${text} (${code})`);
    this.code = code;
    this.operation = operation;
    this.text = text;
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

/** An open camera. */
export interface Camera {
  /**
   * The next live-view picture (JPEG). The first call starts live view and may take seconds.
   * @throws GphotoError CAMERA_BUSY when the camera had no picture within the driver's patience (0.2 s);
   *   ERROR with a text when live view is not possible or the data is no JPEG
   */
  frame(): Promise<Picture>;
  /**
   * Takes a photograph and fetches it; resolves after exposure and transfer, and cannot be interrupted before.
   * A picture the camera stored on its card stays there unless `removeFromCard`.
   * @throws GphotoError
   */
  capture(options?: { removeFromCard?: boolean }): Promise<Picture>;
  /** All settings in the driver's order. Reads them from the camera: slow (0.1 s and more). @throws GphotoError */
  config(): Promise<CameraSetting[]>;
  /**
   * Sets one setting, given by name or path, to a value written as in CameraSetting.
   * @throws GphotoError BAD_PARAMETERS, text fit for the user, when there is no such setting, it is read-only,
   *   or does not take the value
   */
  setConfig(name: string, value: string): Promise<void>;
  /** The camera's next event, or 'timeout' after `timeoutMs`. Other calls wait meanwhile. @throws GphotoError */
  waitEvent(timeoutMs: number): Promise<CameraEvent>;
  /** Rejects waiting calls, lets the running one end, closes. Never rejects; may be called again. */
  close(): Promise<void>;
}

interface Addon {
  libraryVersion: string;
  listPorts(): Promise<Port[]>;
  listCameras(): Promise<ConnectedCamera[]>;
  CameraHandle: new () => CameraHandle;
}

interface CameraHandle {
  open(port: string, model: string): Promise<void>;
  frame(): Promise<Picture>;
  capture(removeFromCard: boolean): Promise<Picture>;
  config(): Promise<CameraSetting[]>;
  setConfig(name: string, value: string): Promise<void>;
  waitEvent(timeoutMs: number): Promise<CameraEvent>;
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
    const { code, operation, message } = error as Error & { code: number; operation: string };
    throw new GphotoError(code, operation, message);
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
export async function openCamera({ port, model }: { port: string; model?: string }): Promise<Camera> {
  const handle = new (addon().CameraHandle)();
  try {
    await typed(handle.open(port, model ?? (port.startsWith('ptpip:') ? 'PTP/IP Camera' : '')));
  } catch (error) {
    await handle.close();
    throw error;
  }
  return {
    frame: () => typed(handle.frame()),
    capture: ({ removeFromCard = false } = {}) => typed(handle.capture(removeFromCard)),
    config: () => typed(handle.config()),
    setConfig: (name, value) => typed(handle.setConfig(name, value)),
    waitEvent: (timeoutMs) => typed(handle.waitEvent(timeoutMs)),
    close: () => handle.close(),
  };
}
