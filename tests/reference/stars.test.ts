/**
 * Star catalogues against SExtractor and photutils on the same pictures (tests/reference/stars/catalogue.py,
 * versions in the fixture); widths and elongations against least-squares fits of photutils and astropy.
 */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { findStars } from '../../core/stars/find.ts';
import type { Star } from '../../core/stars/star.ts';
import { median } from '../../core/track/fit.ts';
import { drawField, FIELDS } from './stars/scenes.ts';

type Row = number[];
interface Catalogues {
  all: { sextractor: number; photutils: number };
  sextractor: Row[];
  photutils: Row[];
  fitted: Row[];
}
const fixture = JSON.parse(readFileSync(new URL('fixtures/stars.json', import.meta.url), 'utf8'));

/** Nearest star within reach, or undefined. */
function nearest(stars: readonly Star[], [x, y]: Row, reachPx: number): Star | undefined {
  let best: Star | undefined;
  let bestPx = reachPx;
  for (const star of stars) {
    const distance = Math.hypot(star.xPx - x, star.yPx - y);
    if (distance < bestPx) [best, bestPx] = [star, distance];
  }
  return best;
}

/** Pairs of ours and theirs, each row's nearest star. */
function pairs(stars: readonly Star[], rows: readonly Row[], reachPx: number): [Star, Row][] {
  return rows.flatMap((row) => {
    const star = nearest(stars, row, reachPx);
    return star ? [[star, row] as [Star, Row]] : [];
  });
}

/** Middle of the ratios ours over theirs. */
const ratio = (matched: [Star, Row][], column: number, ours: (star: Star) => number) =>
  median(matched.map(([star, row]) => ours(star) / row[column]));

/** Columns, as the fixture names them. */
const SEXTRACTOR = { snr: 2, hfrPx: 3, flags: 6 };
const PHOTUTILS = { snr: 2, hfrPx: 3 };
const FITTED = { roundFwhmPx: 2, ovalFwhmPx: 3, elongation: 4, angleDeg: 5 };

describe.each(FIELDS)('%s', (name) => {
  const theirs: Catalogues = fixture.fields[name];
  const { image, stars: truth } = drawField(name);
  const { stars, soughtFwhmPx } = findStars(image);
  const reachPx = Math.max(2.5, 0.5 * soughtFwhmPx);
  const isTrue = (x: number, y: number, reach = reachPx) =>
    truth.some((star) => Math.hypot(star.xPx - x, star.yPx - y) < reach);
  const plain = stars.filter((star) => !star.saturated);
  const fitted = pairs(plain, theirs.fitted, reachPx);

  test.each(['sextractor', 'photutils'] as const)(
    '%s: at least 95 of 100 of its stars above 10 σ are found',
    (program) => {
      // Neither rejects hot pixels; those are no stars.
      const rows = theirs[program].filter(([x, y]) => isTrue(x, y));
      expect(rows.length).toBeGreaterThan(100);
      expect(pairs(stars, rows, reachPx).length / rows.length).toBeGreaterThan(0.95);
    },
  );

  test('claims no more that are none', () => {
    // Of two stars that run into each other the middle counts, too.
    const wrong = stars.filter((star) => !isTrue(star.xPx, star.yPx, Math.max(reachPx, 0.6 * star.fwhmPx)));
    expect(wrong.filter((star) => star.snr > 10)).toEqual([]);
    expect(wrong.length).toBeLessThanOrEqual(1);
  });

  test('half-flux radius within 2 % of the radius with half of the light of SExtractor and photutils', () => {
    const clear = theirs.sextractor.filter((row) => row[SEXTRACTOR.flags] === 0 && row[SEXTRACTOR.snr] > 30);
    expect(Math.abs(ratio(pairs(plain, clear, reachPx), SEXTRACTOR.hfrPx, (star) => star.hfrPx) - 1)).toBeLessThan(
      0.02,
    );
    const bright = theirs.photutils.filter((row) => row[PHOTUTILS.snr] > 30);
    expect(Math.abs(ratio(pairs(plain, bright, reachPx), PHOTUTILS.hfrPx, (star) => star.hfrPx) - 1)).toBeLessThan(
      0.02,
    );
  });

  test('FWHM within 3 % of the Gaussians that photutils and astropy fit, elongation within 5 %', () => {
    expect(fitted.length).toBeGreaterThan(10);
    expect(Math.abs(ratio(fitted, FITTED.ovalFwhmPx, (star) => star.fwhmPx) - 1)).toBeLessThan(0.03);
    expect(Math.abs(ratio(fitted, FITTED.elongation, (star) => star.elongation) - 1)).toBeLessThan(0.05);
    // The round Gaussian is integrated over pixels, but fits round stars only.
    if (name !== 'trailed')
      expect(Math.abs(ratio(fitted, FITTED.roundFwhmPx, (star) => star.fwhmPx) - 1)).toBeLessThan(0.03);
  });

  test('places agree, and directions where stars are drawn out', () => {
    const off = fitted.map(([star, [x, y]]) => Math.hypot(star.xPx - x, star.yPx - y));
    expect(median(off)).toBeLessThan(0.02 * soughtFwhmPx);
    const long = fitted.filter(([, row]) => row[FITTED.elongation] > 1.5);
    const turned = long.map(([star, row]) => Math.abs(((star.angleDeg - row[FITTED.angleDeg] + 270) % 180) - 90));
    if (name === 'trailed') expect(long.length).toBeGreaterThan(50);
    if (long.length > 10) expect(median(turned)).toBeLessThan(2);
  });
});

test('burnt-out stars are marked, and only they', () => {
  const { image, stars: truth } = drawField('burnt-out stars');
  const { stars } = findStars(image);
  const full = 2200;
  // With this width some 14 % of a star's light fall on its brightest pixel, on top of the sky.
  const share = 0.14;
  for (const star of stars) {
    const [near] = truth.filter(({ xPx, yPx }) => Math.hypot(star.xPx - xPx, star.yPx - yPx) < 2.5);
    if (!near) continue;
    const peakE = 150 + share * near.electrons * Math.max(near.redness, 1 / near.redness);
    if (peakE > 1.4 * full) expect(star.saturated).toBe(true);
    if (peakE < 0.6 * full && star.fwhmPx < 3) expect(star.saturated).toBe(false);
  }
  expect(stars.filter((star) => star.saturated).length).toBeGreaterThan(5);
});
