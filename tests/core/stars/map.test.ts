/** What the map says of fields whose lens, sensor and tripod are known from the simulator. */
import { describe, expect, test } from 'vitest';
import { exposeRaw } from '../../../core/simulator/expose.ts';
import { type FieldBlur, fieldScene, SHARP, seededField } from '../../../core/simulator/field.ts';
import { findStars } from '../../../core/stars/find.ts';
import { type FieldMap, hfrAt, mapField } from '../../../core/stars/map.ts';
import { trailLengthPx } from '../../../core/stars/trail.ts';

const UNKNOWN = { exposureS: null, focalMm: null, pixelUm: null };

function mapOf(blur: Partial<FieldBlur>, exposure: Parameters<typeof mapField>[1] = UNKNOWN, seed = 11): FieldMap {
  const scene = fieldScene({ widthPx: 660, heightPx: 440, seed });
  const { light } = seededField(scene, 170, 1200, { ...SHARP, ...blur });
  return mapField(findStars(exposeRaw(light, scene)), exposure);
}

const kinds = (map: FieldMap) => map.findings.map(({ kind }) => kind);

describe('each cause is told, and no other', () => {
  test.each<[string, Partial<FieldBlur>, string[]]>([
    ['sharp all over', {}, []],
    ['evenly soft', { fwhmPx: 4 }, []],
    ['out of focus', { discPx: 10 }, ['defocus']],
    ['tilted, focus at the left', { discPx: 4, tiltXPx: 4 }, ['tilt']],
    ['tilted through focus', { tiltXPx: 6 }, ['tilt']],
    ['curved field', { curvaturePx: 6 }, ['curvature']],
    ['weak corners', { cornerPx: 7 }, ['corners']],
    ['drawn out', { trailXPx: 3, trailYPx: 2 }, ['motion']],
  ])('%s', (_, blur, expected) => {
    for (const seed of [11, 12]) expect(kinds(mapOf(blur, UNKNOWN, seed))).toEqual(expected);
  });
});

test('tilt points at the soft side', () => {
  for (const [tiltXPx, tiltYPx] of [
    [4, 0],
    [0, 4],
    [-3, -3],
  ]) {
    const [finding] = mapOf({ discPx: 5, tiltXPx, tiltYPx }).findings;
    if (finding.kind !== 'tilt') throw new Error(finding.kind);
    // Half the width is not half the height: the tilt per pixel gives the direction.
    const angle = (Math.atan2(tiltYPx / 220, tiltXPx / 330) * 180) / Math.PI;
    expect(Math.abs(((finding.towardsDeg - angle + 540) % 360) - 180)).toBeLessThan(15);
    expect(finding.softPx).toBeGreaterThan(finding.sharpPx);
  }
});

test('the focus may lie in the corners while the middle is soft', () => {
  const [finding] = mapOf({ discPx: 7, curvaturePx: -8 }).findings.filter(({ kind }) => kind === 'curvature');
  expect(finding).toMatchObject({ kind: 'curvature', softer: 'middle' });
});

describe('trails', () => {
  // 15.041 arc seconds a second on the equator: 24 mm, 4 µm, 20 s give 24000 µm × 300.8″ / 206265″ / 4 µm = 8.75 px.
  const skyPx = 8.75;
  const exposure = { exposureS: 20, focalMm: 24, pixelUm: 4 };
  test('as long as the sky turns are trails; length and direction are measured', () => {
    const [finding] = mapOf({ trailXPx: 6, trailYPx: 3 }, exposure).findings;
    if (finding.kind !== 'trail') throw new Error(finding.kind);
    expect(finding.skyPx).toBeCloseTo(skyPx, 2);
    expect(finding.lengthPx / Math.hypot(6, 3)).toBeGreaterThan(0.9);
    expect(finding.lengthPx / Math.hypot(6, 3)).toBeLessThan(1.1);
    expect(Math.abs(finding.angleDeg - 26.57)).toBeLessThan(2);
  });
  test('longer than that is shake', () => {
    expect(kinds(mapOf({ trailXPx: 6, trailYPx: 3 }, { ...exposure, exposureS: 2 }))).toEqual(['shake']);
  });
  test('a long line without blur: the least-squares Gaussian has 0.36 of its length', () => {
    // Minimum of ∫(box − A exp(−x²/2s²))² dx, found on a fine grid.
    const error = (s: number) => {
      let [cross, square] = [0, 0];
      for (let x = -5; x < 5; x += 0.001) {
        const g = Math.exp((-x * x) / (2 * s * s));
        if (Math.abs(x) < 0.5) cross += g;
        square += g * g;
      }
      return -(cross ** 2) / square;
    };
    let best = 0.2;
    for (let s = 0.2; s < 0.6; s += 0.001) if (error(s) < error(best)) best = s;
    expect(trailLengthPx(2.354820045 * best, 0.02)).toBeCloseTo(1, 1.7);
  });
});

test('the smooth fit follows the field', () => {
  const map = mapOf({ discPx: 4, tiltXPx: 4 });
  const half = Math.hypot(660, 440) / 2;
  // At the left edge the disc is 0, at the right one 8 px wide.
  expect(hfrAt(map.fit!, -320 / half, 0)).toBeLessThan(1.6);
  expect(hfrAt(map.fit!, 320 / half, 0)).toBeGreaterThan(2.6);
  expect(map.cells).toHaveLength(9);
  expect(map.cells[5].hfrPx!.value).toBeGreaterThan(1.3 * map.cells[3].hfrPx!.value);
});

test('with few stars nothing is claimed', () => {
  const scene = fieldScene({ widthPx: 400, heightPx: 300, seed: 4 });
  const { light } = seededField(scene, 8, 3000, { ...SHARP, tiltXPx: 6 });
  const map = mapField(findStars(exposeRaw(light, scene)), UNKNOWN);
  expect(map.findings).toEqual([]);
  expect(map.fit).toBeNull();
});
