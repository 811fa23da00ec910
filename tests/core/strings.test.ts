import { describe, expect, it } from 'vitest';
import type { Aim, Instruction } from '../../core/guide/guide.ts';
import { amountText, instructionWords, REASONS, withSigma } from '../../core/strings.ts';

const aim: Aim = {
  side: 1,
  cameFrom: null,
  offsetPx: 1.234,
  offsetSigmaPx: 0.05,
  distanceUm: 18.34,
  distanceSigmaUm: 0.7,
  distanceMarks: 0.412,
  distanceSigmaMarks: 0.03,
  focused: 'behind',
  tolerancePx: 0.5,
  toleranceUm: 8.624,
  inFocusProbability: 0,
};

const instructions: Instruction[] = [
  { kind: 'no-pattern', reason: null },
  ...Object.keys(REASONS).map((reason) => ({ kind: 'no-pattern', reason: reason as keyof typeof REASONS }) as const),
  { kind: 'hold', aim, seconds: null },
  { kind: 'hold', aim, seconds: 3 },
  { kind: 'no-pattern', reason: 'too-far', back: 'clockwise' },
  { kind: 'no-pattern', reason: 'too-dim', seconds: 4 },
  { kind: 'no-pattern', reason: 'pair-missing', seconds: 4 },
  { kind: 'no-pattern', reason: 'no-spots', seconds: 4 },
  { kind: 'magnify', aim },
  { kind: 'distance', aim, why: 'not-calibrated', moving: null },
  { kind: 'distance', aim, why: 'mask-turned', moving: 'closer' },
  { kind: 'distance', aim, why: 'not-calibrated', moving: 'away' },
  { kind: 'turn', aim, direction: 'clockwise', moving: null },
  { kind: 'turn', aim, direction: 'counter-clockwise', moving: 'away' },
  { kind: 'slow-down', aim, direction: null },
  { kind: 'stop', aim },
  { kind: 'passed', aim, direction: null },
  { kind: 'passed', aim, direction: 'clockwise' },
  { kind: 'in-focus', aim, seconds: 2.2 },
  { kind: 'write-it-down', aim, steadySeconds: 3 },
];

describe('words', () => {
  it('are a headline of at most four words and one line of detail for every instruction', () => {
    for (const instruction of instructions) {
      const { headline, detail } = instructionWords(instruction);
      expect(headline.split(/\s+/).length, headline).toBeLessThanOrEqual(4);
      expect(detail).toMatch(/^[^\n]{10,150}\.$/);
      expect(`${headline}${detail}`).not.toMatch(/undefined|null|NaN/);
    }
  });

  it('tell how long to wait', () => {
    const waits = instructions.flatMap((i) => ('seconds' in i && i.seconds ? [instructionWords(i)] : []));
    expect(waits.map(({ amount, detail }) => /(\d+) s/.exec(`${amount} ${detail}`)?.[1])).toEqual(
      ['3', '4', '4', '4', '3'], // 2.2 s are told as 3
    );
  });

  it('tell the amount and the band', () => {
    expect(instructionWords(instructions.find((i) => i.kind === 'turn')!)).toEqual({
      headline: 'Turn clockwise',
      amount: '18.3 µm · 0.40 marks',
      detail: '18.3 ± 0.7 µm, about 0.40 ring marks to go; focused behind the star.',
    });
    expect(instructionWords(instructions.at(-1)!).detail).toContain('depth of focus ±8.6 µm');
    expect(amountText({ ...aim, distanceUm: null, distanceSigmaUm: null })).toBe('1.23 px');
  });

  // A mark is read to a tenth (common practice, no source), so nothing finer than half of that is asked of a hand.
  it.each([
    [0.412, 0.003, '0.40'],
    [0.08, 0.014, '0.10'],
    [0.02, 0.001, 'under 0.05'],
    [0.42, 0.08, '0.4'],
    [2.34, 0.17, '2.4'],
    [7.3, 0.9, '7'],
    [23, 4, '25'],
  ])('%f ± %f marks are told as %s', (distanceMarks, distanceSigmaMarks, text) => {
    expect(amountText({ ...aim, distanceMarks, distanceSigmaMarks })).toBe(`18.3 µm · ${text} marks`);
  });

  // Guide to the expression of uncertainty in measurement (JCGM 100) 7.2.6: at most two figures of the
  // uncertainty, the value rounded to match.
  it.each([
    [18.34, 0.7, '18.3 ± 0.7 µm'],
    [-1.2749, 0.14, '−1.27 ± 0.14 µm'],
    [1234, 56, '1230 ± 60 µm'],
    [-0.001, 0.02, '0.00 ± 0.02 µm'],
    [18.34, 0.096, '18.34 ± 0.10 µm'],
    [123, 19.6, '120 ± 20 µm'],
  ])('round %f ± %f', (value, sigma, text) => {
    expect(withSigma(value, sigma, 'µm')).toBe(text);
  });
});
