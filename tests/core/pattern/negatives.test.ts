/** Nothing may be claimed where there is no pattern: some of each kind the bench draws. */
import { expect, test } from 'vitest';
import { measure } from '../../../core/pattern/measure.ts';
import { drawNegative, isDrawn, NEGATIVE_KINDS, rightReasons } from '../../bench/negatives.ts';
import { UNKNOWN } from './support.ts';

/** Of what is drawn, and of what goes through the diffraction integral, which takes longer. */
const DRAWN = 2;
const DIFFRACTED = 1;

/** Kinds so plain that a wrong reason would be a fault; of the others the bench counts them. */
const PLAIN = ['black', 'white', 'noise', 'star', 'defocused star', 'lone trail', 'cross spikes', 'hexagon spikes'];

const timesOf = (kind: string) => (isDrawn(kind) ? DRAWN : DIFFRACTED);

test('at least seventy-five frames', () => {
  expect(NEGATIVE_KINDS.reduce((sum, kind) => sum + timesOf(kind), 0)).toBeGreaterThanOrEqual(75);
});

test.each(NEGATIVE_KINDS)('%s', async (kind) => {
  const first = NEGATIVE_KINDS.indexOf(kind);
  for (let i = 0; i < timesOf(kind); i++) {
    const negative = await drawNegative(first + i * NEGATIVE_KINDS.length, 4242);
    expect(negative.kind).toBe(kind);
    const reading = measure(negative.image, UNKNOWN);
    if (reading.status === 'measured') throw new Error(`claimed ${reading.offsetPx} ± ${reading.offsetSigmaPx} px`);
    if (PLAIN.includes(kind)) expect(rightReasons(kind)).toContain(reading.reason);
  }
});
