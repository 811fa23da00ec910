/**
 * What the host and its screen say to each other over HTTP and the `/live` WebSocket:
 * types and schemas only, so that both sides can import it.
 */
import { z } from 'zod';
import type { FrameMode } from '../core/frame.ts';
import type { Calibration } from '../core/guide/calibrate.ts';
import { DEFAULT_MASK, ZONE_LAYOUTS } from '../core/optics/mask.ts';

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
  /** CameraErrorCode, with 'lost'. */
  code?: string;
  /** Seconds to the next try, counted down; absent when there will be none. */
  retryInS?: number;
  /** Frames passed on, and frames that gave way to newer ones, since the camera was chosen. */
  delivered: number;
  dropped: number;
}

/** Precedes the picture bytes in a binary message on `/live`, and stands in `X-Frame` beside a still. */
export interface FrameHeader {
  sequence: number;
  timeUtc: string;
  name: string;
  mode: FrameMode;
}

/** Asks for the next frame on `/live`; the only message a client sends. */
export const nextSchema = z.strictObject({ type: z.literal('next') });

const positive = z.number().positive().nullable();
const side = z.union([z.literal(1), z.literal(-1)]).nullable();

/** A mask as a JSON file or in the settings; what is left out is as in DEFAULT_MASK. */
export const maskSchema = z.strictObject({
  name: z.string().trim().min(1).max(200).default(DEFAULT_MASK.name),
  layout: z.enum(ZONE_LAYOUTS).default(DEFAULT_MASK.layout),
  orientation: side.default(DEFAULT_MASK.orientation),
  handedness: side.default(DEFAULT_MASK.handedness),
  pitchUm: positive.default(DEFAULT_MASK.pitchUm),
  outerAngleDeg: z.number().min(0).lt(90).nullable().default(DEFAULT_MASK.outerAngleDeg),
  ribD: z.number().min(0).max(0.3).default(DEFAULT_MASK.ribD),
  duty: z.number().gt(0).lt(1).default(DEFAULT_MASK.duty),
});

/** The settings document. What a newer screen adds is kept, not refused. */
export const settingsSchema = z.looseObject({
  optics: z
    .strictObject({ focalMm: positive.default(null), fNumber: positive.default(null), pixelUm: positive.default(null) })
    .prefault({}),
  mask: maskSchema.prefault({}),
  lensName: z.string().max(200).default(''),
  /** As on the command line. */
  camera: z.string().min(1).max(4096).default('sim'),
  /** Null until the calibration turn. The screen makes it and reads it; here it is only kept. */
  calibration: z
    .custom<Calibration>((value) => typeof value === 'object' && value !== null && 'version' in value)
    .nullable()
    .default(null),
  steadySeconds: z.number().min(0).max(60).default(3),
});
export type Settings = z.output<typeof settingsSchema>;

export const cameraSchema = z.strictObject({ name: z.string().trim().min(1).max(4096) });
export const configSchema = z.strictObject({ name: z.string().min(1).max(500), value: z.string().max(4000) });

/** Answer to `POST /api/entries/import`. */
export interface ImportResult {
  added: number;
  /** Known already. */
  skipped: number;
}

/** Body of every answer with status 4xx or 5xx. */
export interface ErrorBody {
  /** One line for the user. */
  error: string;
}
