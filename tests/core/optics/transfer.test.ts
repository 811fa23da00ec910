import { expect, test } from 'vitest';
import { srgbDecode, srgbEncode } from '../../../core/optics/transfer.ts';

test('IEC 61966-2-1: the two branches of the curve as the standard prints them', () => {
  expect(srgbDecode(0.04045)).toBeCloseTo(0.0031308, 6); // where they meet
  expect(srgbEncode(0.0031308)).toBeCloseTo(0.04045, 5);
  expect(srgbEncode(0.001)).toBeCloseTo(0.01292, 10); // slope 12.92 near black
  expect(srgbDecode(128 / 255)).toBeCloseTo(0.2158605, 6); // code 128, from memory
  expect(srgbEncode(0.5) * 255).toBeCloseTo(187.516, 2); // half light, from memory
  expect(srgbEncode(0.18) * 255).toBeCloseTo(117.65, 1); // grey card, from memory
});

test('ends, clipping and round trip of all 256 codes', () => {
  expect(srgbEncode(0)).toBe(0);
  expect(srgbEncode(-1)).toBe(0);
  expect(srgbEncode(1)).toBe(1);
  expect(srgbEncode(2)).toBe(1);
  for (let code = 0; code < 256; code++) expect(srgbEncode(srgbDecode(code / 255)) * 255).toBeCloseTo(code, 4);
});
