import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import {
  DEFAULT_MASK,
  type Mask,
  offsetOfShifts,
  offsetSlope,
  ZONE_LAYOUTS,
  zoneAt,
  zoneCentroids,
  zoneEdges,
} from '../../../core/optics/mask.ts';

/** Area and first moment of the disc of radius ½ between n = a and n = b (antiderivatives of the chord). */
function segment(a: number, b: number): { area: number; mean: number } {
  const half = (x: number) => 0.5 * (x * Math.sqrt(0.25 - x * x) + 0.25 * Math.asin(2 * x));
  const moment = (x: number) => -((0.25 - x * x) ** 1.5) / 3;
  const area = 2 * (half(b) - half(a));
  return { area, mean: (2 * (moment(b) - moment(a))) / area };
}

const mask = (changes: Partial<Mask>): Mask => ({ ...DEFAULT_MASK, ...changes });

describe('zone centroids', () => {
  test('half disc: 4R/3π from the centre, quarter discs the same along both axes (handbook figures)', () => {
    const zones = zoneCentroids('half');
    const expected = (4 * 0.5) / (3 * Math.PI);
    expect(zones.middle.n).toBeCloseTo(expected, 4);
    expect(zones.middle.u).toBeCloseTo(0, 6);
    expect(zones.plus.u).toBeCloseTo(expected, 4);
    expect(zones.plus.n).toBeCloseTo(-expected, 4);
    expect(zones.minus.u).toBeCloseTo(-expected, 4);
    expect(zones.middle.areaD2).toBeCloseTo(Math.PI / 8, 3);
    expect(zoneCentroids('half', -1).plus.u).toBeCloseTo(-expected, 4);
  });

  test('strips: closed form of circular segments', () => {
    const outer = segment(1 / 6, 0.5);
    const centre = segment(-1 / 6, 1 / 6);
    const alongU = zoneCentroids('strips-u');
    expect(alongU.plus.u).toBeCloseTo(outer.mean, 4);
    expect(alongU.minus.u).toBeCloseTo(-outer.mean, 4);
    expect(alongU.middle.u).toBeCloseTo(0, 6);
    expect(alongU.middle.areaD2).toBeCloseTo(centre.area, 3);
    const alongN = zoneCentroids('strips-n');
    expect(alongN.middle.n).toBeCloseTo(outer.mean, 4);
    expect(alongN.plus.n).toBeCloseTo(0, 6);
    expect(alongN.minus.n).toBeCloseTo(-outer.mean, 4);
  });

  test('a rib of width w cuts a half disc to the segment from w/2', () => {
    expect(zoneCentroids('half', 1, 0.06).middle.n).toBeCloseTo(segment(0.03, 0.5).mean, 3);
  });
});

test('a zone’s edges enclose just the points that are the zone’s', () => {
  fc.assert(
    fc.property(
      fc.constantFrom(...ZONE_LAYOUTS),
      fc.constantFrom(1 as const, -1 as const),
      fc.constantFrom(0, 0.04),
      fc.double({ min: 0, max: 0.4999, noNaN: true }),
      fc.double({ min: -Math.PI, max: Math.PI, noNaN: true }),
      (layout, handedness, ribD, r, angle) => {
        const [u, n] = [r * Math.cos(angle), r * Math.sin(angle)];
        const shape = { layout, handedness, ribD };
        const around = (['middle', 'plus', 'minus'] as const).filter((zone) =>
          zoneEdges(shape, zone).every((edge) => u * edge.u + n * edge.n > edge.least),
        );
        const zone = zoneAt(layout, handedness, ribD, u, n);
        // On an edge itself rounding decides.
        const onEdge = (['middle', 'plus', 'minus'] as const).some((zone) =>
          zoneEdges(shape, zone).some((edge) => Math.abs(u * edge.u + n * edge.n - edge.least) < 1e-12),
        );
        expect(onEdge || (zone === null ? around.length === 0 : around.join() === zone)).toBe(true);
      },
    ),
    { numRuns: 1000, seed: 1 },
  );
});

describe('slope k of offset over defocus', () => {
  test('worked example: half and quarters at 20° give 0.5017 or 0.3472', () => {
    expect(offsetSlope(mask({ handedness: 1, orientation: 1 }), 20).k).toBeCloseTo(0.5017, 4);
    expect(offsetSlope(mask({ handedness: -1, orientation: 1 }), 20).k).toBeCloseTo(0.3472, 4);
    expect(offsetSlope(mask({ handedness: 1, orientation: -1 }), 20).k).toBeCloseTo(-0.5017, 4);
  });

  test('closed form 4R/3π (2 ± tan θ) for every angle', () => {
    fc.assert(
      fc.property(
        fc.double({ min: 5, max: 45, noNaN: true }),
        fc.constantFrom(1 as const, -1 as const),
        (angle, hand) => {
          const k = offsetSlope(mask({ handedness: hand }), angle).k;
          expect(k).toBeCloseTo((2 / (3 * Math.PI)) * (2 + hand * Math.tan((angle * Math.PI) / 180)), 3);
        },
      ),
    );
  });

  test('unknown handedness: the mean, with half the difference as its uncertainty', () => {
    const slope = offsetSlope(mask({}), 20);
    expect(slope.k).toBeCloseTo((0.5017 + 0.3472) / 2, 3);
    expect(slope.kSigma).toBeCloseTo((0.5017 - 0.3472) / 2, 3);
  });

  test('the mask’s own angle goes before the measured one', () => {
    expect(offsetSlope(mask({ outerAngleDeg: 20, handedness: 1 }), 35).k).toBeCloseTo(0.5017, 4);
  });

  test('k = 0 is refused: strips along u without an angle between the gratings', () => {
    expect(() => offsetSlope(mask({ layout: 'strips-u', name: 'flat' }), 0)).toThrow('mask "flat" has k = 0');
  });
});

test('the offset of shifted lines, by intersecting the two outer lines', () => {
  const shift = { middle: { u: 3, n: 1 }, plus: { u: 0.5, n: -0.4 }, minus: { u: -0.7, n: 0.9 } };
  const tan = Math.tan((25 * Math.PI) / 180);
  // n = n₊ + t (u − u₊) and n = n₋ − t (u − u₋)
  const u = (shift.minus.n - shift.plus.n + tan * (shift.minus.u + shift.plus.u)) / (2 * tan);
  const n = shift.plus.n + tan * (u - shift.plus.u);
  expect(offsetOfShifts(shift, 25)).toBeCloseTo(shift.middle.n - n, 12);
});
