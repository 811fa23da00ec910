/** Worked examples of J. Meeus, Astronomical Algorithms, 2nd edition; all figures from memory. */
import { Body, SearchRiseSet } from 'astronomy-engine';
import { describe, expect, test } from 'vitest';
import { CATALOGUE, colourTemperatureK } from '../../../core/sky/catalogue.ts';
import { moonAt } from '../../../core/sky/night.ts';
import { compassPoint, type Place, parseDirection } from '../../../core/sky/place.ts';
import { airmass, observerAt, separationDeg, skyAt } from '../../../core/sky/positions.ts';

const place = (latitudeDeg: number, longitudeDeg: number): Place => ({
  name: '',
  latitudeDeg,
  longitudeDeg,
  elevationM: 0,
  horizonDeg: 0,
  towardsDeg: null,
});

describe('printed almanac examples', () => {
  test('13.b: Venus over a town at 38°55′17″ N, 77°03′56″ W on 10 April 1987, 19:21 UT', () => {
    const sky = skyAt(place(38.921389, -77.065556), Date.UTC(1987, 3, 10, 19, 21), false);
    const venus = sky.planets.find(({ name }) => name === 'Venus')!;
    // The book counts azimuth from the south.
    expect(Math.abs(venus.azimuthDeg - (68.0337 + 180))).toBeLessThan(0.05);
    expect(Math.abs(venus.altitudeDeg - 15.1249)).toBeLessThan(0.05);
  });

  test('15.a: Venus rises at 12:25 UT and sets at 2:55 at 42°20′ N, 71°05′ W on 20 March 1988', () => {
    const observer = observerAt(place(42.3333, -71.0833));
    const first = (direction: 1 | -1) =>
      SearchRiseSet(Body.Venus, observer, direction, new Date(Date.UTC(1988, 2, 20)), 1)!.date.getTime();
    expect(Math.abs(first(1) - Date.UTC(1988, 2, 20, 12, 25, 26))).toBeLessThan(60_000);
    expect(Math.abs(first(-1) - Date.UTC(1988, 2, 20, 2, 54, 40))).toBeLessThan(60_000);
  });

  test('48.a: 67.86 % of the Moon is lit on 12 April 1992', () => {
    expect(moonAt(Date.UTC(1992, 3, 12)).litPart).toBeCloseTo(0.6786, 2);
  });

  test('17: Arcturus and Spica are 32.793° apart', () => {
    const { stars } = skyAt(place(0, 0), Date.UTC(2000, 0, 1, 12), false);
    const named = (wanted: string) => stars.find(({ name }) => name === wanted)!;
    expect(separationDeg(named('Arcturus'), named('Spica'))).toBeCloseTo(32.793, 1);
  });

  test('16: at the horizon refraction is about 0.57° (true altitude) for 1010 hPa and 10 °C', () => {
    const atMs = Date.UTC(2026, 0, 1);
    const [bare, lifted] = [false, true].map((refraction) => skyAt(place(46, 8), atMs, refraction).stars);
    const low = bare
      .map((star, i) => ({ altitudeDeg: star.altitudeDeg, liftDeg: lifted[i].altitudeDeg - star.altitudeDeg }))
      .sort((a, b) => Math.abs(a.altitudeDeg) - Math.abs(b.altitudeDeg))[0];
    // Sæmundsson's formula, 1.02′ cot(h + 10.3/(h + 5.11)).
    const { altitudeDeg: h, liftDeg } = low;
    expect(liftDeg).toBeCloseTo(1.02 / 60 / Math.tan(((h + 10.3 / (h + 5.11)) * Math.PI) / 180), 2);
    expect(liftDeg).toBeGreaterThan(0.3);
  });
});

test('air passed: 38 at the horizon, 2 at 30°, 1 overhead (Kasten & Young 1989; from memory)', () => {
  expect(airmass(0)).toBeCloseTo(37.92, 1);
  expect(airmass(30)).toBeCloseTo(1.994, 2);
  expect(airmass(90)).toBeCloseTo(1, 3);
  expect(airmass(-1)).toBeNull();
});

test('the Sun’s colour, B−V 0.653, is that of 5772 K within 2 % (Ramírez et al. 2012; IAU 2015)', () => {
  expect(Math.abs(colourTemperatureK(0.653) / 5772 - 1)).toBeLessThan(0.02);
});

test('the 57 stars of navigation and Polaris are in the catalogue (The Nautical Almanac; from memory)', () => {
  const names = `Acamar, Achernar, Acrux, Adhara, Aldebaran, Alioth, Alkaid, Alnair, Alnilam, Alphard, Alphecca,
    Alpheratz, Altair, Ankaa, Antares, Arcturus, Atria, Avior, Bellatrix, Betelgeuse, Canopus, Capella, Deneb, Denebola,
    Diphda, Dubhe, Elnath, Eltanin, Enif, Fomalhaut, Gacrux, Gienah, Hadar, Hamal, Kaus Australis, Kochab, Markab,
    Menkar, Menkent, Miaplacidus, Mirfak, Nunki, Peacock, Pollux, Procyon, Rasalhague, Regulus, Rigel,
    Rigil Kentaurus, Sabik, Schedar, Shaula, Sirius, Spica, Suhail, Vega, Zubenelgenubi, Polaris`;
  const wanted = names.split(',').map((name) => name.trim());
  expect(wanted).toHaveLength(58);
  const known = new Set(CATALOGUE.map(({ name }) => name));
  expect(wanted.filter((name) => !known.has(name))).toEqual([]);
  expect(CATALOGUE.length).toBeGreaterThanOrEqual(150);
  expect(new Set(CATALOGUE.map(({ name }) => name)).size).toBe(CATALOGUE.length);
});

test('compass points and degrees, both ways', () => {
  expect([0, 11, 12, 90, 200, 349, 359, 360].map(compassPoint)).toEqual(['N', 'N', 'NNE', 'E', 'SSW', 'N', 'N', 'N']);
  expect(['sw', ' N ', '200', '200°', '360', '361', 'up', ''].map(parseDirection)).toEqual([
    225,
    0,
    200,
    200,
    0,
    null,
    null,
    null,
  ]);
});
