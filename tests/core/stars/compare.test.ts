import { describe, expect, test } from 'vitest';
import { exposeRaw } from '../../../core/simulator/expose.ts';
import { drawStars, type FieldBlur, fieldScene, renderField, SHARP } from '../../../core/simulator/field.ts';
import { seededRandom } from '../../../core/simulator/random.ts';
import { compareShots } from '../../../core/stars/compare.ts';
import { findStars } from '../../../core/stars/find.ts';
import type { StarList } from '../../../core/stars/star.ts';

const [widthPx, heightPx] = [660, 440];

/** A shot of one sky, turned about the middle and moved. */
function shot(seed: number, blur: Partial<FieldBlur>, turnDeg = 0, dx = 0, dy = 0, sky = 21): StarList {
  const scene = fieldScene({ widthPx, heightPx, seed });
  const [cos, sin] = [Math.cos((turnDeg * Math.PI) / 180), Math.sin((turnDeg * Math.PI) / 180)];
  const stars = drawStars(160, widthPx, heightPx, 900, seededRandom(sky)).map((star) => {
    const [x, y] = [star.xPx - widthPx / 2, star.yPx - heightPx / 2];
    return { ...star, xPx: widthPx / 2 + cos * x - sin * y + dx, yPx: heightPx / 2 + sin * x + cos * y + dy };
  });
  return findStars(exposeRaw(renderField(scene, stars, { ...SHARP, ...blur }), scene));
}

describe('the same stars before and after', () => {
  const before = shot(1, { discPx: 5 });
  test('sharper, although the sky has moved and turned', () => {
    const comparison = compareShots(before, shot(2, {}, 2.3, 27, -16))!;
    expect(comparison.verdict).toBe('sharper');
    expect(comparison.pairs.length).toBeGreaterThan(60);
    expect(comparison.ratio.value).toBeLessThan(0.85);
    for (const { before: old, after } of comparison.pairs)
      expect(Math.abs(Math.log(old.flux / after.flux))).toBeLessThan(1);
  });
  test('softer the other way round', () => {
    expect(compareShots(shot(2, {}, 2.3, 27, -16), before)!.verdict).toBe('softer');
  });
  test('the same with noise of its own', () => {
    const comparison = compareShots(before, shot(3, { discPx: 5 }, -1, 5, 8))!;
    expect(comparison.verdict).toBe('same');
    expect(comparison.ratio.sigma).toBeLessThan(0.03);
  });
});

test('another part of the sky is compared star by star no more, but still in the middle', () => {
  const comparison = compareShots(shot(1, { discPx: 5 }), shot(2, {}, 0, 0, 0, 99))!;
  expect(comparison.pairs).toEqual([]);
  expect(comparison.verdict).toBe('sharper');
});

test('stars too few are not compared', () => {
  const none = { widthPx, heightPx, stars: [] };
  expect(compareShots(none, shot(1, {}))).toBeNull();
});
