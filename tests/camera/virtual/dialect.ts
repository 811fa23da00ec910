/** What a vendor extension of PTP adds to the standard, and what it needs of the body it belongs to. */
import type { LensMotor } from './lens.ts';
import type { Property, StoredObject } from './ptp.ts';
import type { Reply, Request } from './transport.ts';

/** What the camera is set to, for whoever makes its pictures. */
export interface CameraState {
  /** How many times live view is magnified; 1 is the whole field. */
  magnification: number;
  /** Where the lens stands, steps of its motor from the start; which sign is nearer is not told. */
  readonly focusSteps: number;
  /** Centre of what live view magnifies, sensor pixels. */
  area: { x: number; y: number };
}

export interface Body {
  readonly lens: LensMotor;
  readonly state: CameraState;
  /** JPEG of the next live-view picture; a `thrownAway` one is not counted. */
  nextFrame(thrownAway?: boolean): Promise<Uint8Array>;
  /** Exposes, and stores on the card or in memory; the dialect announces it. */
  takePicture(toMemory: boolean): Promise<{ handle: number; object: StoredObject & { bytes: Uint8Array } }>;
}

export interface Dialect {
  readonly vendor: number;
  readonly operations: number[];
  readonly events: number[];
  /** All the camera's properties; those of `standardCodes` are read and written by the standard's operations. */
  readonly properties: Property[];
  readonly standardCodes: number[];
  readonly liveView: boolean;
  /** Null: not an operation of this extension. */
  perform(request: Request): Reply | Promise<Reply> | null;
  /** The property has a new value, set by a host or on the camera. */
  changed(property: Property): void;
  /** The shutter button pressed by hand. */
  pressShutter(): Promise<void>;
  /** The session ended, in good order or not. */
  ended(): void;
}

/** Sensor and live-view picture of both bodies, pixels. */
export const sensor = { widthPx: 6144, heightPx: 4080 };
