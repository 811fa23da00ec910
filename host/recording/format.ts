/**
 * A recording on the disk: plain files that any program can read.
 *
 *     recording.json           what it is: format, version, camera, when it began
 *     000003/index.jsonl       a segment: one JSON line for each frame and each reading, in order of time,
 *     000003/000412.jpg        and the frames as they came, numbered through the whole recording
 *
 * Old segments are deleted when the recording has its size, so numbers need not begin at 0. A frame
 * is in the index only after its file was written whole. Readers pass over types and fields they do
 * not know; the version rises when that would make them misread what they do know.
 */
import { z } from 'zod';
import type { Frame, FrameMode } from '../../core/frame.ts';
import type { Optics, Reading } from '../../core/measurement.ts';

export const FORMAT = 'nightring-recording';
export const VERSION = 1;
export const ABOUT_FILE = 'recording.json';
export const INDEX_FILE = 'index.jsonl';
export const SEGMENT_NAME = /^\d{6,}$/;

export const aboutSchema = z.looseObject({
  format: z.literal(FORMAT),
  version: z.number().int().min(1),
  /** Camera's name, as on the command line. */
  camera: z.string(),
  startedUtc: z.string(),
});
export type About = z.output<typeof aboutSchema>;

const modeSchema = z.looseObject({
  kind: z.enum(['live', 'still']),
  magnification: z.number().nullable(),
  pixelUm: z.number().nullable(),
}) satisfies z.ZodType<FrameMode>;

/** What is known of a frame as it comes. */
export const frameHeaderSchema = z.looseObject({
  /** The camera's running number; gaps are frames that were dropped before they came here. */
  sequence: z.number().int().min(0),
  timeUtc: z.string().refine((text) => !Number.isNaN(Date.parse(text))),
  name: z.string(),
  mode: modeSchema,
});

export const frameLineSchema = frameHeaderSchema.extend({
  type: z.literal('frame'),
  frame: z.number().int().min(0),
  /** Within the segment's folder. */
  file: z.string().regex(/^[\w-]+(\.\w+)?$/),
  bytes: z.number().int().min(0),
  /** Measuring started afresh with this frame; else the pattern was followed from the frame before. */
  anew: z.boolean(),
});
export type FrameLine = Pick<
  z.output<typeof frameLineSchema>,
  'type' | 'frame' | 'file' | 'bytes' | 'sequence' | 'timeUtc' | 'name' | 'anew'
> & { mode: FrameMode };

/** What a frame was measured to be; may stand in the index a few frames after its frame. */
export type ReadingLine = { type: 'reading'; frame: number; optics: Optics; reading: Reading };
/** Or why it could not be read as a picture. */
export type UnreadableLine = { type: 'unreadable'; frame: number; reason: string };

export const readingLineSchema = z.discriminatedUnion('type', [
  z.looseObject({
    type: z.literal('reading'),
    frame: z.number().int(),
    optics: z.custom<Optics>((value) => typeof value === 'object' && value !== null),
    reading: z.custom<Reading>((value) => typeof value === 'object' && value !== null && 'status' in value),
  }),
  z.looseObject({ type: z.literal('unreadable'), frame: z.number().int(), reason: z.string() }),
]);

/** File name of a frame: its number, and the ending of the name it came with, as decoders go by that. */
export function fileName(number: number, { name }: Pick<Frame, 'name'>): string {
  const ending = /\.\w{1,5}$/.exec(name)?.[0].toLowerCase() ?? '.jpg';
  return `${String(number).padStart(6, '0')}${ending}`;
}

export function segmentName(number: number): string {
  return String(number).padStart(6, '0');
}
