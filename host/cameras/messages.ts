/** What passes between the host and a camera's process: small, typed, structured-clone data. */
import type { Frame } from '../../core/frame.ts';
import type { CameraErrorCode, ConfigValue } from './source.ts';

export interface CameraInfo {
  /** What openCamera takes. */
  name: string;
  label: string;
}

/** Questions with one answer each. */
export interface CameraRequests {
  list: { args: []; answer: CameraInfo[] };
  readConfig: { args: []; answer: ConfigValue[] };
  writeConfig: { args: [name: string, value: string]; answer: undefined };
  capture: { args: []; answer: Frame };
  close: { args: []; answer: undefined };
}
export type RequestName = keyof CameraRequests;

export interface ErrorMessage {
  code: CameraErrorCode;
  message: string;
}

export type ToCamera =
  /**
   * Opens the camera, writes the settings, starts delivery; no picture for `stallMs` is the end. `identity` is that of the
   * body the settings are of, null where it told none.
   */
  | { type: 'open'; name: string; identity: string | null; settings: [name: string, value: string][]; stallMs: number }
  /** Asks for one frame: the latest not yet delivered, or the next to come. */
  | { type: 'next' }
  | { type: 'request'; id: number; name: RequestName; args: string[] };

export type FromCamera =
  /** Sent every second: the process is not stuck. */
  | { type: 'alive' }
  | { type: 'running'; identity: string | null }
  /** `dropped`: frames of this process that nobody asked for in time. */
  | { type: 'frame'; frame: Frame; dropped: number }
  /** The source ended: null in good order. */
  | { type: 'ended'; error: ErrorMessage | null }
  | { type: 'answer'; id: number; answer: unknown }
  | { type: 'refusal'; id: number; error: ErrorMessage };
