import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { liveViewOf } from '../../../core/sky/brightness.ts';
import { daylightAt, isSunUp, SUN_MARGIN_DEG } from '../../../core/sky/daylight.ts';
import { nightAround } from '../../../core/sky/night.ts';
import type { Place } from '../../../core/sky/place.ts';
import { separationDeg, skyAt } from '../../../core/sky/positions.ts';
import { darknessOf, picturesSkyMagnitude, rankTargets, windowsOf } from '../../../core/sky/targets.ts';
import { daylightWords, moonWords, remarksText, zoneWords } from '../../../core/sky/words.ts';

const PLACE: Place = {
  name: 'Quillback Ridge (invented)',
  latitudeDeg: 46,
  longitudeDeg: 8,
  elevationM: 0,
  horizonDeg: 10,
  towardsDeg: null,
};
const EVENING = Date.UTC(2026, 10, 25, 20);
const NOON = Date.UTC(2026, 10, 25, 11, 15);
const live = liveViewOf({ focalMm: 24, fNumber: 1.4, pixelUm: null, mask: null })!;

const places = fc.record({
  name: fc.constant(''),
  latitudeDeg: fc.double({ min: -80, max: 80, noNaN: true }),
  longitudeDeg: fc.double({ min: -180, max: 180, noNaN: true }),
  elevationM: fc.constantFrom(0, 1500),
  horizonDeg: fc.constantFrom(0, 10, 35),
  towardsDeg: fc.constantFrom(null, 0, 200),
});
const times = fc.integer({ min: Date.UTC(2020, 0), max: Date.UTC(2035, 0) });

describe('the Sun', () => {
  test('whatever stands within 20° of it while it is up is refused, and nothing else; anywhere, any time', () => {
    fc.assert(
      fc.property(places, times, (place, atMs) => {
        const { sun } = skyAt(place, atMs);
        for (const target of rankTargets(place, atMs, live)) {
          const near = separationDeg(target.body, sun) < SUN_MARGIN_DEG;
          expect(target.verdict === 'refused').toBe(near && isSunUp(sun, place));
        }
      }),
      { numRuns: 60 },
    );
  });

  test('the reason is said', () => {
    const refused = rankTargets(PLACE, NOON, live).filter(({ verdict }) => verdict === 'refused');
    expect(refused.map(({ body }) => body.name)).toContain('Antares');
    for (const target of refused)
      expect(remarksText(target)).toMatch(/° from the Sun, which is up: never nearer than 20°/);
  });

  test('is up from its rise to its set; higher places see it longer', () => {
    const { sunsetMs } = nightAround(PLACE, EVENING);
    const up = (minutes: number, place = PLACE) => isSunUp(skyAt(place, sunsetMs! + minutes * 60_000).sun, place);
    expect([up(-1), up(1)]).toEqual([true, false]);
    expect(up(4, { ...PLACE, elevationM: 2000 })).toBe(true);
  });

  test('daylight speaks of eyes, sensor and shutter; night is silent', () => {
    const words = (atMs: number) => {
      const { sun } = skyAt(PLACE, atMs);
      return daylightWords(daylightAt(sun, PLACE), sun);
    };
    for (const part of [/Sun is up/, /Eyes/, /Sensor and shutter/, /20°/]) expect(words(NOON)).toMatch(part);
    // The centre has set, the edge has not.
    const { sunsetMs } = nightAround(PLACE, EVENING);
    expect(words(sunsetMs! - 30_000)).toMatch(/^The Sun is up, [NESW]+ \d+°, 0° high\./);
    expect(words(EVENING)).toBe('');
  });
});

describe('the ranking', () => {
  test('what is below the obstacle is never offered; verdicts stand in order', () => {
    fc.assert(
      fc.property(places, times, (place, atMs) => {
        const targets = rankTargets(place, atMs, live);
        const order = ['good', 'usable', 'poor', 'down', 'refused'];
        const ranks = targets.map(({ verdict }) => order.indexOf(verdict));
        expect(ranks).toEqual(ranks.toSorted((a, b) => a - b));
        for (const { body, verdict, remarks } of targets) {
          if (body.altitudeDeg < place.horizonDeg) expect(['down', 'refused']).toContain(verdict);
          expect(remarks.length).toBeGreaterThan(0);
        }
      }),
      { numRuns: 40 },
    );
  });

  test('a winter evening in the middle north: bright, high, far from the full Moon comes first', () => {
    const [best] = rankTargets(PLACE, EVENING, live);
    // Full Moon in Taurus: Capella is 19° from it, Aldebaran 15°. Saturn and Vega stand free, Saturn higher.
    expect(best.body.name).toBe('Saturn');
    const named = (name: string) => rankTargets(PLACE, EVENING, live).find(({ body }) => body.name === name)!;
    expect(named('Venus').verdict).toBe('down');
    expect(named('Sirius').verdict).toBe('down');
    expect(named('Capella').verdict).toBe('good');
  });

  test('with a smaller opening fewer stars will do', () => {
    const usable = (fNumber: number) =>
      rankTargets(PLACE, EVENING, { ...live, fNumber }).filter(
        ({ verdict }) => verdict === 'good' || verdict === 'usable',
      ).length;
    expect(usable(1.4)).toBeGreaterThan(2 * usable(4));
  });

  test('the part of the sky to be shot draws the choice to it', () => {
    const best = (towardsDeg: number) => rankTargets({ ...PLACE, towardsDeg }, EVENING, live)[0];
    expect(best(300).body.name).toBe('Vega');
    expect(best(180).body.name).toBe('Saturn');
    expect(best(180).remarks).toContain('near-pictures');
  });

  test('without a lens brightness decides, and that it is not judged is said', () => {
    const [best] = rankTargets(PLACE, EVENING, null);
    expect(best.snr).toBeNull();
    expect(remarksText(best)).toMatch(/lens not set/);
  });
});

describe('through the night', () => {
  const night = nightAround(PLACE, EVENING);
  const windows = windowsOf(PLACE, night);
  const altitude = (name: string, atMs: number) => {
    const { planets, stars } = skyAt(PLACE, atMs);
    return [...planets, ...stars].find((body) => body.name === name)!.altitudeDeg;
  };

  test('windows begin and end at the obstacle or with darkness', () => {
    const dark = darknessOf(PLACE, night)!;
    expect(dark).toEqual({ fromMs: night.civil.duskMs, untilMs: night.civil.dawnMs });
    let edges = 0;
    for (const [name, list] of windows)
      for (const { fromMs, untilMs } of list) {
        expect(altitude(name, (fromMs + untilMs) / 2)).toBeGreaterThanOrEqual(PLACE.horizonDeg);
        for (const edgeMs of [fromMs, untilMs])
          if (edgeMs !== dark.fromMs && edgeMs !== dark.untilMs) {
            edges++;
            expect(Math.abs(altitude(name, edgeMs) - PLACE.horizonDeg)).toBeLessThan(0.1);
          }
      }
    expect(edges).toBeGreaterThan(100);
  });

  test('Vega sets behind the obstacle in the evening and is back before dawn', () => {
    expect(windows.get('Vega')).toHaveLength(2);
    expect(windows.get('Polaris')).toEqual([darknessOf(PLACE, night)]);
    expect(windows.get('Canopus')).toEqual([]);
  });

  test('where it does not get dark there is none; in the polar night it goes on', () => {
    const north = { ...PLACE, latitudeDeg: 78 };
    expect(windowsOf(north, nightAround(north, Date.UTC(2026, 5, 21, 12)))).toEqual(new Map());
    const winter = nightAround(north, Date.UTC(2026, 11, 21, 12));
    expect(darknessOf(north, winter)).toEqual({ fromMs: winter.fromNoonMs, untilMs: winter.toNoonMs });
  });
});

test('the Moon in words', () => {
  expect(moonWords({ phaseDeg: 60, litPart: 0.25, phaseAngleDeg: 120 })).toBe('waxing, 25 % lit');
  expect(moonWords({ phaseDeg: 300, litPart: 0.25, phaseAngleDeg: 120 })).toBe('waning, 25 % lit');
  expect(moonWords({ phaseDeg: 180, litPart: 0.999, phaseAngleDeg: 1 })).toBe('full, 100 % lit');
});

test('a clock of another part of the world is noticed; wide zones are not', () => {
  expect(zoneWords(PLACE, 60)).toBe('');
  expect(zoneWords({ ...PLACE, longitudeDeg: 76 }, 8 * 60)).toBe('');
  expect(zoneWords({ ...PLACE, longitudeDeg: -70 }, 60)).toMatch(/6 h ahead of the Sun’s time/);
  expect(zoneWords({ ...PLACE, longitudeDeg: 179 }, -12 * 60)).toBe('');
});

test('the sky of the pictures: 21.6 without Moon, 3 mag brighter and more at full Moon, brighter towards it', () => {
  const at = (atMs: number, towardsDeg: number | null) =>
    picturesSkyMagnitude({ ...PLACE, towardsDeg }, skyAt(PLACE, atMs));
  // New Moon on 9 November, full on 24 November 2026 (almanacs, from memory).
  expect(at(Date.UTC(2026, 10, 9, 23), 180)).toBeCloseTo(21.6, 1);
  const full = Date.UTC(2026, 10, 24, 22);
  expect(at(full, null)).toBeLessThan(18.6);
  const { moon } = skyAt(PLACE, full);
  expect(at(full, moon.azimuthDeg)).toBeLessThan(at(full, (moon.azimuthDeg + 180) % 360));
});
