import type { ConfigValue } from '../../core/camera/config.ts';
import type { Frame } from '../../core/frame.ts';

export type { ConfigValue };

/** What went wrong with a camera; `code` is stable, `message` is one line for the user that says what to do next. */
export class CameraError extends Error {
  override name = 'CameraError';
  readonly code: CameraErrorCode;
  constructor(code: CameraErrorCode, message: string) {
    super(message);
    this.code = code;
  }
}

export type CameraErrorCode =
  | 'not-found'
  | 'busy'
  | 'in-use'
  | 'permission'
  | 'lost'
  | 'timeout'
  | 'refused'
  /** The focus motor ran into its end. */
  | 'at-limit'
  | 'unsupported'
  | 'bad-data'
  | 'missing-library'
  | 'closed'
  | 'other';

/**
 * Where frames come from: simulated camera, folder, or a real camera. All sources run in a child
 * process of the host (see camera process), so that a crash there costs one gap in the frames.
 */
export interface CameraSource {
  readonly name: string;
  /** Model and serial number of a body that tells them. */
  readonly identity?: string;
  /**
   * Starts delivery. Each frame is passed once; a source never queues old frames: of a live view the
   * latest wins. A source whose every picture counts (a folder) waits for `onFrame` before the next one.
   * `onEnd` is called once, with null when the source ran out in good order.
   * @throws CameraError when live view cannot start
   */
  start(onFrame: (frame: Frame) => void | Promise<void>, onEnd: (why: CameraError | null) => void): Promise<void>;
  /** @throws CameraError */
  readConfig(): Promise<ConfigValue[]>;
  /** @throws CameraError when the name is unknown, read-only, or the value is not taken */
  writeConfig(name: string, value: string): Promise<void>;
  /** Takes a still. @throws CameraError code 'unsupported' when the source cannot */
  capture(): Promise<Frame>;
  close(): Promise<void>;
}
