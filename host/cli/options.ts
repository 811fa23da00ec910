import { readFile } from 'node:fs/promises';
import { type Command, InvalidArgumentError } from 'commander';
import { firstIssue } from '../../core/notebook/entry.ts';
import { type Mask, offsetSlope } from '../../core/optics/mask.ts';
import { maskSchema, recordingLimitSchema } from '../api.ts';
import { isCameraName } from '../cameras/open.ts';
import type { KnownOptics } from '../measure.ts';
import { CommandError, EXIT } from './output.ts';
import { strings } from './strings.ts';

/** Angle at which a mask file's k is checked when it names none. */
const TYPICAL_ANGLE_DEG = 20;

export function parsePositive(text: string): number {
  const value = text.trim() === '' ? Number.NaN : Number(text);
  if (!Number.isFinite(value) || value <= 0) throw new InvalidArgumentError(strings.notPositive);
  return value;
}

export function parseNumber(text: string): number {
  const value = text.trim() === '' ? Number.NaN : Number(text);
  if (!Number.isFinite(value)) throw new InvalidArgumentError(strings.notNumber);
  return value;
}

export function parseCount(text: string): number {
  if (!/^\d{1,9}$/.test(text) || Number(text) === 0) throw new InvalidArgumentError(strings.notCount);
  return Number(text);
}

export function parseRecordingLimit(text: string): number {
  if (!/^\d{1,7}$/.test(text) || !recordingLimitSchema.safeParse(Number(text)).success)
    throw new InvalidArgumentError(strings.notLimit);
  return Number(text);
}

export function parseSpeed(text: string): string {
  if (text !== 'max' && !(Number(text) > 0 && Number(text) < Infinity))
    throw new InvalidArgumentError(strings.notSpeed);
  return text;
}

export function parsePort(text: string): number {
  if (!/^\d{1,5}$/.test(text) || Number(text) > 65535) throw new InvalidArgumentError(strings.notPort);
  return Number(text);
}

export function parseCamera(text: string): string {
  if (!isCameraName(text)) throw new InvalidArgumentError(strings.notCamera);
  return text;
}

export interface OpticsOptions {
  focalMm?: number;
  fNumber?: number;
  pixelUm?: number;
  mask?: string;
}

/** Adds the options that describe lens, camera and mask. */
export function withOpticsOptions(command: Command): Command {
  return command
    .option('--focal-mm <F>', strings.options.focalMm, parsePositive)
    .option('--f-number <N>', strings.options.fNumber, parsePositive)
    .option('--pixel-um <P>', strings.options.pixelUm, parsePositive)
    .option('--mask <FILE>', strings.options.mask);
}

/** @throws CommandError exit 2 when the mask file is not valid or its k is 0 */
export async function knownOptics(options: OpticsOptions): Promise<KnownOptics> {
  return {
    focalMm: options.focalMm ?? null,
    fNumber: options.fNumber ?? null,
    pixelUm: options.pixelUm ?? null,
    mask: options.mask === undefined ? null : await readMask(options.mask),
  };
}

async function readMask(path: string): Promise<Mask> {
  const refuse = (message: string) => new CommandError(message, EXIT.usage);
  const text = await readFile(path, 'utf8').catch((error: NodeJS.ErrnoException) => {
    throw refuse(strings.mask.cannotRead(path, error.code ?? error.message));
  });
  let document: unknown;
  try {
    document = JSON.parse(text);
  } catch {
    throw refuse(strings.mask.notJson(path));
  }
  const result = maskSchema.safeParse(document);
  if (!result.success) throw refuse(strings.mask.invalid(path, firstIssue(result.error)));
  const mask = result.data;
  try {
    offsetSlope(mask, mask.outerAngleDeg ?? TYPICAL_ANGLE_DEG);
  } catch (error) {
    throw refuse(strings.mask.invalid(path, (error as RangeError).message));
  }
  return mask;
}
