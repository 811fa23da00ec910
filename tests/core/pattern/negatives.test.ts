/** Nothing may be claimed where there is no pattern: four of each kind the bench draws. */
import { expect, test } from 'vitest';
import { loadCv } from '../../../core/pattern/cv.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { drawNegative, NEGATIVE_KINDS } from '../../bench/negatives.ts';
import { UNKNOWN } from './support.ts';

const cv = await loadCv();
const EACH = 4;

test('at least a hundred frames', () => {
  expect(EACH * NEGATIVE_KINDS.length).toBeGreaterThanOrEqual(100);
});

test.each(NEGATIVE_KINDS)('%s', async (kind) => {
  const first = NEGATIVE_KINDS.indexOf(kind);
  for (let i = 0; i < EACH; i++) {
    const negative = await drawNegative(first + i * NEGATIVE_KINDS.length, 4242);
    expect(negative.kind).toBe(kind);
    expect(measure(cv, negative.image, UNKNOWN)).toMatchObject({ status: 'no-pattern' });
  }
});
