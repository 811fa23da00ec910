/** Nothing may be claimed where there is no pattern: four of each kind the bench draws. */
import { expect, test } from 'vitest';
import type { ReasonCode } from '../../../core/measurement.ts';
import { loadCv } from '../../../core/pattern/cv.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { drawNegative, NEGATIVE_KINDS } from '../../bench/negatives.ts';
import { UNKNOWN } from './support.ts';

const cv = await loadCv();
const EACH = 4;

/** What may be said of the kinds that are plain. */
const REASONS: Record<string, ReasonCode[]> = {
  black: ['no-star'],
  white: ['too-bright'],
  noise: ['no-star'],
  star: ['no-spots', 'too-dim'],
  'defocused star': ['too-far', 'no-spots'],
  'lone trail': ['motion-blur', 'no-spots'],
  'cross spikes': ['spikes-only', 'no-spots'],
  'hexagon spikes': ['spikes-only', 'no-spots'],
};

test('at least a hundred frames', () => {
  expect(EACH * NEGATIVE_KINDS.length).toBeGreaterThanOrEqual(100);
});

test.each(NEGATIVE_KINDS)('%s', async (kind) => {
  const first = NEGATIVE_KINDS.indexOf(kind);
  for (let i = 0; i < EACH; i++) {
    const negative = await drawNegative(first + i * NEGATIVE_KINDS.length, 4242);
    expect(negative.kind).toBe(kind);
    const reading = measure(cv, negative.image, UNKNOWN);
    if (reading.status === 'measured') throw new Error(`claimed ${reading.offsetPx} ± ${reading.offsetSigmaPx} px`);
    expect(REASONS[kind] ?? [reading.reason]).toContain(reading.reason);
  }
});
