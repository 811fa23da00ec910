import fc from 'fast-check';
import { expect, test } from 'vitest';
import { axisFor, timeAxis } from '../../../core/paper/graph.ts';
import { shortened, wrapped } from '../../../core/paper/page.ts';

/** A font whose letters are all one millimetre wide. */
const width = (text: string) => text.length;

test('text is broken at spaces, and inside words that are too wide; nothing is lost', () => {
  expect(wrapped('tide times at the shore', 10, width)).toEqual(['tide times', 'at the', 'shore']);
  expect(wrapped('ab abcdefghijklmnop c', 5, width)).toEqual(['ab', 'abcde', 'fghij', 'klmno', 'p c']);
  expect(wrapped('7.8\u00a0± 1.4\u00a0µm', 7, width)).toEqual(['7.8\u00a0±', '1.4\u00a0µm']);
  expect(wrapped('  ', 5, width)).toEqual([]);
  fc.assert(
    fc.property(fc.array(fc.stringMatching(/^[a-z]{1,60}$/)), fc.integer({ min: 1, max: 40 }), (words, widthMm) => {
      const lines = wrapped(words.join(' '), widthMm, width);
      expect(lines.join('').replaceAll(' ', '')).toBe(words.join(''));
      for (const line of lines) expect(line.length).toBeLessThanOrEqual(widthMm);
    }),
  );
});

test('a long word is not laid out over and over: the width asked for grows with the line, not with the text', () => {
  let letters = 0;
  const counted = (text: string) => {
    letters += text.length;
    return text.length;
  };
  // One look at the whole word, then some hundred letters for each of its hundred lines.
  expect(wrapped('x'.repeat(3000), 30, counted).length).toBe(100);
  expect(letters).toBeLessThan(3000 + 100 * 400);
});

test('what is too wide is cut with an ellipsis', () => {
  expect(shortened('Wide lens', 9, width)).toBe('Wide lens');
  expect(shortened('Wide lens', 8, width)).toBe('Wide le…');
});

test('axes hold their values; ticks are round and inside', () => {
  fc.assert(
    fc.property(fc.array(fc.double({ min: -1e6, max: 1e6, noNaN: true }), { minLength: 1 }), (values) => {
      const { from, to, ticks } = axisFor('', values, 1);
      expect(from).toBeLessThan(Math.min(...values));
      expect(to).toBeGreaterThan(Math.max(...values));
      expect(ticks.length).toBeGreaterThanOrEqual(2);
      expect(ticks.length).toBeLessThanOrEqual(8);
      for (const { value, text } of ticks) {
        expect(value >= from && value <= to).toBe(true);
        expect(Number(text.replace('−', '-'))).toBeCloseTo(value, 6);
      }
    }),
  );
  const night = timeAxis('UTC', [Date.parse('2026-11-24T18:10:00Z'), Date.parse('2026-11-24T22:50:00Z')]);
  expect(night.ticks.map(({ text }) => text)).toEqual(['18:00', '19:00', '20:00', '21:00', '22:00', '23:00']);
});
