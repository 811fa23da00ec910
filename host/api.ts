/**
 * What the host and its screen say to each other over HTTP and the `/live` WebSocket:
 * types and schemas only, so that both sides can import it.
 */
import { z } from 'zod';
import { NOTHING_READ } from '../core/camera/lens.ts';
import { ROLES } from '../core/camera/roles.ts';
import type { FrameMode } from '../core/frame.ts';
import { calibrationSchema, kitSchema, maskSchema } from '../core/kit/kit.ts';
import type { Optics, Reading } from '../core/measurement.ts';
import type { MergeResult } from '../core/notebook/merge.ts';
import { placeSchema } from '../core/sky/place.ts';

export { maskSchema } from '../core/kit/kit.ts';
export type { Entry, EntryDraft as NewEntry } from '../core/notebook/entry.ts';
export type { CameraInfo } from './cameras/messages.ts';
export type { ConfigValue } from './cameras/source.ts';

/** Text message on `/live`, sent at once and on every change. */
export interface CameraMessage {
  type: 'camera';
  /** 'none': no camera chosen, or it was closed. 'lost': `message` says why; with `retryInS` it will be tried again. */
  state: 'none' | 'starting' | 'running' | 'lost';
  name: string;
  message: string;
  /** CameraErrorCode, with 'lost' and while it is tried again. */
  code?: string;
  /** Seconds to the next try, counted down; absent when there will be none. */
  retryInS?: number;
  /** Frames passed on, and frames that gave way to newer ones, since the camera was chosen. */
  delivered: number;
  dropped: number;
}

/** Text message on `/live`: how the recording stands; sent at once, on every change, and twice a second while it runs. */
export interface RecordingMessage {
  type: 'recording';
  /** 'stopped': by itself, `message` says why; what was recorded is kept. */
  state: 'off' | 'recording' | 'stopped';
  folder: string;
  message: string;
  frames: number;
  /** Frames left out because the disk could not follow. */
  skipped: number;
  /** Time from the oldest frame that is kept to the newest, s. */
  heldS: number;
  bytes: number;
  limitBytes: number;
}

export const NOT_RECORDING: RecordingMessage = {
  type: 'recording',
  state: 'off',
  folder: '',
  message: '',
  frames: 0,
  skipped: 0,
  heldS: 0,
  bytes: 0,
  limitBytes: 0,
};

/** Something was plugged in on USB, or pulled out. */
export interface UsbMessage {
  type: 'usb';
}

/** What the host says on `/live` between the frames. */
export type HostMessage = CameraMessage | RecordingMessage | UsbMessage;

/** A recording that can be replayed, as `replay:FOLDER`. */
export interface RecordingInfo {
  folder: string;
  startedUtc: string;
  camera: string;
  heldS: number;
}

/** Precedes the picture bytes in a binary message on `/live`, and stands in `X-Frame` beside a still. */
export interface FrameHeader {
  sequence: number;
  timeUtc: string;
  name: string;
  mode: FrameMode;
  /** As in Frame. */
  anew?: boolean;
  optics?: Optics;
}

/** What a client says on `/live`: it asks for the next frame; or, while frames are recorded, what one was measured to be. */
export const clientSchema = z.discriminatedUnion('type', [
  z.strictObject({ type: z.literal('next') }),
  z.strictObject({
    type: z.literal('reading'),
    sequence: z.number().int().min(0),
    optics: z.custom<Optics>((value) => typeof value === 'object' && value !== null),
    reading: z.custom<Reading>((value) => typeof value === 'object' && value !== null && 'status' in value),
  }),
  z.strictObject({ type: z.literal('unreadable'), sequence: z.number().int().min(0), reason: z.string().max(1000) }),
]);
export type ClientMessage = z.output<typeof clientSchema>;

const positive = z.number().positive().nullable();

/** MB; with less, segments would be too short to be of use. */
export const recordingLimitSchema = z.number().min(20).max(1e7);
export const DEFAULT_RECORDING_MB = 2000;

/** What the calculators take that nothing else knows. */
export const calculatorSchema = z.object({
  /** Blur and trail let pass, sensor pixels. */
  blurPx: z.number().positive().default(1),
  exposureS: z.number().positive().default(10),
  iso: z.number().positive().default(3200),
  /** V magnitudes per square arc second; null: as Moon and twilight make it, or dark country. */
  skyMag: z.number().min(0).max(30).nullable().default(null),
  /** Electrons per pixel, typical at high ISO (common practice, no source). */
  readNoiseE: z.number().positive().default(3),
  /** Side of a sensor pixel, µm, while no camera body is chosen from the kit. */
  pixelUm: positive.default(null),
});
export type CalculatorSettings = z.output<typeof calculatorSchema>;

/** The settings document. What a newer screen adds is kept, not refused. */
export const settingsSchema = z.looseObject({
  optics: z
    .strictObject({ focalMm: positive.default(null), fNumber: positive.default(null), pixelUm: positive.default(null) })
    .prefault({}),
  mask: maskSchema.prefault({}),
  lensName: z.string().max(200).default(''),
  /** As on the command line. */
  camera: z.string().min(1).max(4096).default('sim'),
  /** Null until the calibration turn. */
  calibration: calibrationSchema.nullable().default(null),
  /** What lies in the bag; `lensName`, `mask.name` and `body` say what is in use. */
  kit: kitSchema.prefault({}),
  body: z.string().max(200).default(''),
  /** Size that a recording may have; its oldest part gives way. */
  recordingLimitMb: recordingLimitSchema.default(DEFAULT_RECORDING_MB),
  calculator: calculatorSchema.prefault({}),
  steadySeconds: z.number().min(0).max(60).default(3),
  /** Which of the lens's values were read from a camera, as they were read. */
  fromCamera: z
    .object({
      camera: z.string().max(4096),
      lensName: z.string().nullable(),
      focalMm: z.number().nullable(),
      fNumber: z.number().nullable(),
    })
    .default(NOTHING_READ),
  /** Which configuration names serve which roles, as accepted for a body that the table does not know or not rightly. */
  bodyRoles: z
    .array(
      z.object({ body: z.string().max(200), names: z.partialRecord(z.enum(ROLES), z.string().max(500).nullable()) }),
    )
    .max(100)
    .default([]),
  /** How far the focus motor may go from where it is started, smallest steps; null: as is usual for its kind. */
  motorTravelSteps: z.number().int().positive().max(1e6).nullable().default(null),
  /** Null until it is typed or read from a picture; the Sun's place is known from then on. */
  place: placeSchema.nullable().default(null),
  /** Star or planet chosen to focus on; empty: none yet. */
  target: z.string().max(200).default(''),
  /** Of one live-view frame by night, s; null: as is usual. */
  liveExposureS: z.number().positive().max(60).nullable().default(null),
});
export type Settings = z.output<typeof settingsSchema>;

export const cameraSchema = z.strictObject({ name: z.string().trim().min(1).max(4096) });
export const configSchema = z.strictObject({ name: z.string().min(1).max(500), value: z.string().max(4000) });
/** Written in this order, as long as whoever asked waits for the answer, `{done}`: how many. */
export const sequenceSchema = z.strictObject({
  writes: z.array(configSchema).min(1).max(200),
  /** Steps of a motor: done now, and never again after a restart, whatever the body calls them. */
  once: z.boolean().default(false),
});

/** Query of `GET /api/paper/tape.pdf`, `card.pdf` and `report.pdf`; what is left out is as in settings and notebook. */
export const paperSchema = z.strictObject({
  paper: z.enum(['a4', 'letter']).default('a4'),
  /** Of the clock to be printed: minutes ahead of UTC. */
  zoneMinutes: z.coerce.number().int().min(-840).max(840).default(0),
  lens: z.string().max(200).optional(),
  temperatureC: z.coerce.number().min(-90).max(70).optional(),
});
export type PaperQuery = z.input<typeof paperSchema>;

/** Answer to `POST /api/import`. */
export interface ImportResult extends MergeResult {
  /** Kit or settings came with it and were taken over. */
  kit: boolean;
  settings: boolean;
}

/** Answer to `GET /api/notebook`: whether it can be written to. */
export interface NotebookState {
  /** One line when the file cannot be used, and what is seen instead; null when all is well. */
  problem: string | null;
  /** What is seen can take the place of the file, which is damaged. */
  mayRestore: boolean;
}

/** Body of every answer with status 4xx or 5xx. */
export interface ErrorBody {
  /** One line for the user. */
  error: string;
  /** CameraErrorCode where the camera failed. */
  code?: string;
}
