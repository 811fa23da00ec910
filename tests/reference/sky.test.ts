/**
 * The sky against astropy and PyEphem (tests/reference/sky/almanac.py; versions in the fixture). PyEphem's stars are
 * the Hipparcos catalogue's, ours the Bright Star Catalogue's: the two know nothing of each other.
 */
import { describe, expect, test } from 'vitest';
import { moonAt, type Night, nightAround } from '../../core/sky/night.ts';
import type { Place } from '../../core/sky/place.ts';
import { type SkyBody, separationDeg, skyAt } from '../../core/sky/positions.ts';
import fixture from './fixtures/sky.json' with { type: 'json' };

const placeNamed = (name: string): Place => {
  const [latitudeDeg, longitudeDeg, elevationM] = fixture.places[name as keyof typeof fixture.places];
  return { name, latitudeDeg, longitudeDeg, elevationM, horizonDeg: 0, towardsDeg: null };
};
const apartDeg = (body: SkyBody, [azimuthDeg, altitudeDeg]: number[]) =>
  separationDeg(body, { azimuthDeg, altitudeDeg });

/** Close pairs, which the catalogues split and add up differently. */
const PAIRS = ['Algieba', 'Izar', 'Rigil Kentaurus'];

describe.each(fixture.positions)('$place, $timeUtc', ({ place, timeUtc, refraction, stars, wanderers }) => {
  const atMs = Date.parse(timeUtc);
  const sky = skyAt(placeNamed(place), atMs, refraction);

  test('stars stand within 0.05° of where astropy puts those of the Hipparcos catalogue', () => {
    const found = Object.entries(stars as unknown as Record<string, number[]>).flatMap(([name, theirs]) => {
      const ours = sky.stars.find((star) => star.name === name);
      return ours ? [{ name, apart: apartDeg(ours, theirs), magnitudes: ours.magnitude - theirs[2] }] : [];
    });
    // Those down to magnitude 3 that are spelled alike; above 5° only where refraction is asked for.
    expect(found.length).toBeGreaterThan(refraction ? 45 : 85);
    for (const { name, apart } of found) expect(apart, name).toBeLessThan(0.05);
    const unlike = found.filter(({ magnitudes }) => Math.abs(magnitudes) > 0.2).map(({ name }) => name);
    expect(unlike.filter((name) => !PAIRS.includes(name))).toEqual([]);
  });

  test('Sun, Moon and planets stand within 0.05° of both', () => {
    const bare = skyAt(placeNamed(place), atMs, false);
    for (const body of [bare.sun, bare.moon, ...bare.planets]) {
      const theirs = wanderers[body.name as keyof typeof wanderers];
      expect(apartDeg(body, theirs.ephem), `${body.name} by PyEphem`).toBeLessThan(0.05);
      expect(apartDeg(body, theirs.astropy), `${body.name} by astropy`).toBeLessThan(0.05);
      expect(Math.abs(body.diameterArcsec / theirs.diameterArcsec - 1), body.name).toBeLessThan(0.035); // Saturn's mean or equatorial
      // Phase laws differ by author.
      if (body.kind === 'planet') expect(Math.abs(body.magnitude - theirs.magnitude), body.name).toBeLessThan(0.5);
    }
  });
});

describe.each(fixture.nights)('the night at $place, $timeUtc', (theirs) => {
  const ours: Night = nightAround(placeNamed(theirs.place), Date.parse(theirs.timeUtc));
  const within = (mine: number | null, iso: string | null) => {
    if (iso === null) expect(mine).toBeNull();
    else expect(Math.abs(mine! - Date.parse(iso))).toBeLessThan(60_000);
  };

  test('begins at the same noon', () => {
    expect(Math.abs(ours.fromNoonMs - Date.parse(theirs.noonUtc))).toBeLessThan(60_000);
  });

  test.each(['civil', 'nautical', 'astronomical'] as const)('%s twilight within a minute', (twilight) => {
    within(ours[twilight].duskMs, theirs[twilight].dusk);
    within(ours[twilight].dawnMs, theirs[twilight].dawn);
  });

  test('Sun and Moon rise and set within a minute', () => {
    within(ours.sunsetMs, theirs.sunset);
    within(ours.sunriseMs, theirs.sunrise);
    within(ours.moonsetMs, theirs.moonset);
    within(ours.moonriseMs, theirs.moonrise);
  });

  test('the lit part of the Moon', () => {
    expect(100 * moonAt(Date.parse(theirs.timeUtc)).litPart).toBeCloseTo(theirs.moonLitPercent, 0);
  });
});
