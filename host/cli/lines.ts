import { REASONS } from '../../core/strings.ts';
import type { Measured, Outcome } from '../measure.ts';
import { EXIT } from './output.ts';
import { strings } from './strings.ts';

/** What a line tells besides the reading: `frame` counts from 1. */
export interface LineHead {
  file: string;
  frame?: number;
  timeUtc?: string;
}

/** A picture that could not even be opened, in words. */
export type LineOutcome = Outcome | { reason: string };

/** One JSON line, numbers unrounded. */
export function jsonLine(head: LineHead, outcome: LineOutcome): string {
  if (!('reading' in outcome)) return JSON.stringify({ ...head, status: 'unreadable', reason: whyUnreadable(outcome) });
  const { reading, decodeMs, measureMs } = outcome;
  if (reading.status === 'no-pattern') {
    const { status, reason, star } = reading;
    return JSON.stringify({
      ...head,
      status,
      reason: REASONS[reason],
      reasonCode: reason,
      star,
      decodeMs,
      measureMs,
    });
  }
  const { spots, ...rest } = reading;
  return JSON.stringify({ ...head, ...rest, spots, maskAssumed: isMaskAssumed(outcome), decodeMs, measureMs });
}

/** One line for people. @param nameWidth columns for the file name */
export function textLine(head: LineHead, outcome: LineOutcome, nameWidth: number): string {
  const number = head.frame === undefined ? '' : `${String(head.frame).padStart(6)}  `;
  const time = head.timeUtc === undefined ? '' : `${head.timeUtc.slice(11, 23)}  `;
  return `${number}${time}${head.file.padEnd(nameWidth)}  ${describe(outcome)}`;
}

/** A defocus was computed with a mask that the user did not describe. */
export function isMaskAssumed({ reading, optics }: Measured): boolean {
  return reading.status === 'measured' && reading.defocusUm !== null && optics.mask === null;
}

/** What keeps the defocus of a measured picture unknown, in the user's words; null when it is known. */
export function missingForDefocus({ reading, optics }: Measured): string | null {
  if (reading.status !== 'measured' || reading.defocusUm !== null) return null;
  const missing = [];
  if (optics.fNumber === null) missing.push('f-number (--f-number)');
  if (reading.pixelUm === null) missing.push('pixel size (--pixel-um)');
  return missing.join(' and ');
}

/** Exit status so far and one more outcome: an unreadable picture outweighs one without pattern. */
export function worseExit(exit: number, outcome: LineOutcome): number {
  if (!('reading' in outcome)) return EXIT.unreadable;
  return exit === EXIT.ok && outcome.reading.status === 'no-pattern' ? EXIT.noPattern : exit;
}

function whyUnreadable(outcome: Exclude<LineOutcome, Measured>): string {
  return 'reason' in outcome ? outcome.reason : outcome.unreadable.message;
}

function describe(outcome: LineOutcome): string {
  if (!('reading' in outcome)) return `${strings.unreadable}  ${whyUnreadable(outcome)}`;
  const { reading } = outcome;
  if (reading.status === 'no-pattern') return `${strings.noPattern}  ${REASONS[reading.reason]}`;
  const { offsetPx, offsetSigmaPx, defocusUm, defocusSigmaUm, snr, merged } = reading;
  return [
    `${strings.offset} ${value(offsetPx, offsetSigmaPx, 2, 'px')}`,
    defocusUm === null ? '' : `${strings.defocus} ${value(defocusUm, defocusSigmaUm!, 1, 'µm')}`,
    `${strings.signalToNoise} ${snr.toFixed(0).padStart(3)}`,
    merged ? strings.merged : '',
  ]
    .filter(Boolean)
    .join('  ');
}

/** Signed value ± σ and unit, in columns. */
function value(amount: number, sigma: number, digits: number, unit: string): string {
  const size = Math.abs(amount).toFixed(digits);
  return `${((amount < 0 ? '−' : '+') + size).padStart(7)} ${`± ${sigma.toFixed(digits)} ${unit}`.padEnd(9)}`;
}
