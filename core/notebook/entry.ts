import { z } from 'zod';
import { maskSchema } from '../kit/kit.ts';

/**
 * One line of the notebook: where the ring stood when the star was in focus, and what was measured
 * there. Unknown numbers are null, unknown texts empty.
 */

const shortText = z.string().trim().max(200);
const value = z.number().nullable();
const sigma = z.number().nonnegative().nullable();
const positive = z.number().positive().nullable();

/** What the measurement says of the ring position. */
export const VERDICTS = ['in-focus', 'out-of-focus', 'not-measured'] as const;

/** Which way the ring's numbers went on the last way to focus: its slack makes the two read differently. */
export const APPROACHES = ['rising', 'falling'] as const;

const timeUtc = z.iso.datetime().transform((time) => new Date(time).toISOString());

/** Lens, camera and mask as they were set; see Mask for the mask's fields. */
const settingsSchema = z.strictObject({
  camera: shortText.default(''),
  fNumber: positive.default(null),
  /** Size on the sensor of one frame pixel, µm. */
  pixelUm: positive.default(null),
  /** How its pitch was learned is left to the kit. */
  mask: z
    .object(maskSchema.omit({ learned: true }).shape)
    .nullable()
    .default(null),
});

/** What a user or the screen hands in; id and time are given when they are missing. */
export const draftSchema = z
  .strictObject({
    /** A draft sent again under the same id is stored once. */
    id: z.uuid().toLowerCase().optional(),
    /** ISO 8601 UTC, kept to the millisecond. */
    timeUtc: timeUtc.optional(),
    /** When it was last changed; of two copies of an entry the later one counts. timeUtc where it never was. */
    editedUtc: timeUtc.optional(),
    /** As read off the ring by the user, in `ringUnit`. */
    ringPosition: value.default(null),
    ringUnit: shortText.default(''),
    approach: z.enum(APPROACHES).nullable().default(null),
    lens: shortText.default(''),
    focalMm: positive.default(null),
    temperatureC: z.number().min(-273.15).nullable().default(null),
    target: shortText.default(''),
    offsetPx: value.default(null),
    /** One standard deviation of offsetPx. */
    offsetSigmaPx: sigma.default(null),
    defocusUm: value.default(null),
    /** One standard deviation of defocusUm. */
    defocusSigmaUm: sigma.default(null),
    verdict: z.enum(VERDICTS).default('not-measured'),
    /** Which kind of picture was measured. */
    measuredOn: z.enum(['live', 'still']).nullable().default(null),
    note: z.string().trim().max(4000).default(''),
    settings: settingsSchema.prefault({}),
  })
  .refine((draft) => (draft.offsetPx === null) === (draft.offsetSigmaPx === null), {
    path: ['offsetSigmaPx'],
    error: 'offsetPx and offsetSigmaPx come together or not at all',
  })
  .refine((draft) => (draft.defocusUm === null) === (draft.defocusSigmaUm === null), {
    path: ['defocusSigmaUm'],
    error: 'defocusUm and defocusSigmaUm come together or not at all',
  });

export type EntryDraft = z.input<typeof draftSchema>;
export type Entry = z.output<typeof draftSchema> & { id: string; timeUtc: string; editedUtc: string };

/** An entry that was taken out; remembered, so that it does not come back from another machine's copy. */
export const deletionSchema = z.strictObject({ id: z.uuid().toLowerCase(), deletedUtc: timeUtc });
export type Deletion = z.output<typeof deletionSchema>;

/** A notebook request that cannot be met; the message is one line for the user. */
export class NotebookError extends Error {
  override name = 'NotebookError';
}

/**
 * Checks a draft and completes it to an entry.
 * @param fallback id (UUID) and time (ISO 8601 UTC) where the draft has none
 * @throws NotebookError naming the field that is wrong
 */
export function makeEntry(draft: unknown, fallback: { id: string; timeUtc: string }): Entry {
  const result = draftSchema.safeParse(draft);
  if (!result.success) throw new NotebookError(`The entry was not written down: ${firstIssue(result.error)}.`);
  return completed(result.data, fallback);
}

/** A checked draft with id and times filled in. */
export function completed(draft: z.output<typeof draftSchema>, fallback: { id: string; timeUtc: string }): Entry {
  const time = draft.timeUtc ?? fallback.timeUtc;
  return { ...draft, id: draft.id ?? fallback.id, timeUtc: time, editedUtc: draft.editedUtc ?? time };
}

/** The first thing wrong, as `path: message` on one line. */
export function firstIssue(error: z.ZodError): string {
  const { path, message } = error.issues[0];
  return [path.join('.'), message.replaceAll(/\s+/g, ' ')].filter(Boolean).join(': ');
}
