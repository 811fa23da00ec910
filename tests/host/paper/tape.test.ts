/** The ring tape as a PDF, measured by pdf.js: sizes on paper are what they claim to be. */
import { beforeAll, describe, expect, test } from 'vitest';
import { type Tape, tapePages } from '../../../core/paper/tape.ts';
import { textWidth, writePdf } from '../../../host/paper/pdf.ts';
import { readPdf, type Sheet } from './read.ts';

const TIME = '2026-11-25T18:00:00.000Z';
const tape: Tape = {
  diameterMm: 72,
  unit: 'mm',
  lens: 'Rehearsal lens',
  conditions: 'at −3.5 °C',
  marks: [
    { focalMm: 14, position: 61.2, sigma: 0.5 },
    { focalMm: 18, position: 63.1, sigma: 0.6 },
    { focalMm: 24, position: 63.9, sigma: 0.4 },
    { focalMm: 35, position: 120.3, sigma: 1.2 },
  ],
  remark: '',
};
const pdf = (changed: Partial<Tape> = {}, paper: 'a4' | 'letter' = 'a4') =>
  writePdf(tapePages({ ...tape, ...changed }, paper, textWidth), 'Ring tape', TIME);

type Line = [from: [number, number], to: [number, number]];
/** Single strokes, level or upright. */
const strokes = (sheet: Sheet, level: boolean): Line[] =>
  sheet.paths.filter(
    (path): path is Line => path.length === 2 && Math.abs(path[0][level ? 1 : 0] - path[1][level ? 1 : 0]) < 1e-3,
  );
const lengthMm = ([[x1, y1], [x2, y2]]: Line) => Math.hypot(x2 - x1, y2 - y1);

/** The ticks of a piece of tape: those that stand on its lower edge, by x. */
function ticks(sheet: Sheet, piece: [number, number][]): number[] {
  const bottom = Math.max(...piece.map(([, y]) => y));
  const [left, right] = [Math.min(...piece.map(([x]) => x)), Math.max(...piece.map(([x]) => x))];
  return strokes(sheet, false)
    .filter(
      (line) => Math.max(line[0][1], line[1][1]) > bottom - 0.01 && Math.max(line[0][1], line[1][1]) < bottom + 0.01,
    )
    .filter((line) => lengthMm(line) < 4.3 && line[0][0] >= left - 0.01 && line[0][0] <= right + 0.01)
    .map(([[x]]) => x)
    .toSorted((a, b) => a - b);
}
/** The dashed outlines to cut along. */
const pieces = (sheet: Sheet) =>
  sheet.paths.filter((path) => path.length >= 4 && Math.abs(path[2][1] - path[0][1] - 12) < 0.01);

describe('true scale', () => {
  let sheet: Sheet;
  let printScaling: unknown;
  beforeAll(async () => {
    const read = await readPdf(await pdf());
    [sheet] = read.sheets;
    ({ printScaling } = read);
    expect(read.sheets.length).toBe(1);
    expect(read.title).toBe('Ring tape');
  });

  test('an A4 sheet on its side (ISO 216), with printing at 100 % asked for (ISO 32000-1, table 150)', () => {
    expect(sheet.widthMm).toBeCloseTo(297, 1);
    expect(sheet.heightMm).toBeCloseTo(210, 1);
    expect(printScaling).toBe('None');
  });

  test.each([
    ['level', true],
    ['upright', false],
  ])('the %s check line is 100 mm long, ± 0.1, with a tick every 5 mm', (_, level) => {
    const long = strokes(sheet, level).filter((line) => lengthMm(line) > 90);
    expect(long.length).toBe(1);
    expect(Math.abs(lengthMm(long[0]) - 100)).toBeLessThan(0.1);
    const [[x0, y0]] = long[0];
    const starts = strokes(sheet, !level)
      .filter(([[x, y]]) => (level ? Math.abs(y - y0) < 0.01 && x < x0 + 101 : Math.abs(x - x0) < 0.01))
      .map(([[x, y]]) => (level ? x - x0 : y - y0))
      .toSorted((a, b) => a - b);
    expect(starts.length).toBe(21);
    starts.forEach((mm, i) => {
      expect(mm).toBeCloseTo(5 * i, 2);
    });
  });

  test('the tape is π times the diameter long, a tick at each millimetre, numbers at the centimetres', () => {
    const [piece, ...others] = pieces(sheet);
    expect(others).toEqual([]);
    const left = Math.min(...piece.map(([x]) => x));
    const end = strokes(sheet, false).find((line) => Math.abs(lengthMm(line) - 12) < 0.01)!;
    expect(end[0][0] - left).toBeCloseTo(Math.PI * 72, 2);
    const found = new Set(ticks(sheet, piece).map((x) => (x - left).toFixed(2)));
    for (let mm = 0; mm <= 226; mm++) expect(found).toContain(mm.toFixed(2));
    for (let mm = 10; mm < 220; mm += 10) {
      const number = sheet.texts.find(({ text, yMm }) => text === String(mm) && yMm < 80)!;
      expect(number.xMm + number.widthMm / 2 - left).toBeCloseTo(mm, 1);
    }
  });

  test('marks stand where focus was fitted', () => {
    const [piece] = pieces(sheet);
    const left = Math.min(...piece.map(([x]) => x));
    const found = ticks(sheet, piece).map((x) => (x - left).toFixed(2));
    for (const { position } of tape.marks) expect(found).toContain(position.toFixed(2));
    // The bar above is ± σ wide.
    const bar = sheet.paths.find((path) => path.length >= 4 && Math.abs(path[2][1] - path[0][1] - 0.5) < 0.01)!;
    expect(bar[0][0] - left).toBeCloseTo(61.2 - 0.5, 2);
    expect(bar[1][0] - left).toBeCloseTo(61.2 + 0.5, 2);
  });

  test('labels do not overlap, however close the marks', () => {
    const crowd = [12, 14, 16, 18, 20, 24].map((focalMm, i) => ({
      focalMm,
      position: 226 - i / 9,
      sigma: 0.2,
    }));
    const [page] = tapePages({ ...tape, marks: crowd }, 'a4', textWidth);
    const labels = page.items
      .flatMap((item) => (item.kind === 'text' && item.sizeMm === 3.4 ? [item] : []))
      .map(({ at: [x], text }) => [x, textWidth(text, 3.4, true) / 2])
      .toSorted(([a], [b]) => a - b);
    expect(labels.length).toBe(crowd.length);
    for (let i = 1; i < labels.length; i++)
      expect(labels[i][0] - labels[i][1]).toBeGreaterThan(labels[i - 1][0] + labels[i - 1][1]);
    expect(labels.at(-1)![0]).toBeLessThan(15 + Math.PI * 72);
  });

  test('values, conditions, signs and the caution can be read back', () => {
    const text = sheet.texts.map((item) => item.text).join('\n');
    for (const words of [
      'Ring tape: Rehearsal lens',
      '226.2 mm round',
      'at −3.5 °C',
      '63.9 ± 0.4 mm',
      '120.3 ± 1.2 mm',
      'Never point lens, mask or live view at or near the Sun.',
    ])
      expect(text).toContain(words);
  });
});

describe('other rings and papers', () => {
  test('a wide ring on Letter: pieces of whole centimetres, together once round; every tick on one of them', async () => {
    const [sheet] = (await readPdf(await pdf({ diameterMm: 120 }, 'letter'))).sheets;
    expect(sheet.widthMm).toBeCloseTo(279.4, 1);
    const found = pieces(sheet);
    expect(found.length).toBe(2);
    const ends = strokes(sheet, false).filter((line) => Math.abs(lengthMm(line) - 12) < 0.01);
    const lengths = ends.map(([[x]]) => x - Math.min(...found[0].map(([left]) => left)));
    expect(lengths[0] % 10).toBeCloseTo(0, 2);
    expect(lengths[0] + lengths[1]).toBeCloseTo(Math.PI * 120, 1);
    expect(sheet.texts.map(({ text }) => text)).toEqual(expect.arrayContaining(['1 of 2', '2 of 2', '370']));
    for (const path of sheet.paths)
      for (const [x, y] of path) {
        expect(x).toBeGreaterThan(5);
        expect(x).toBeLessThan(sheet.widthMm - 5);
        expect(y).toBeLessThan(sheet.heightMm - 5);
      }
  });

  test('in degrees, 360 are once round', async () => {
    const [sheet] = (await readPdf(await pdf({ unit: 'degrees', marks: [{ focalMm: 24, position: 181, sigma: 1 }] })))
      .sheets;
    const [piece] = pieces(sheet);
    const left = Math.min(...piece.map(([x]) => x));
    expect(ticks(sheet, piece).map((x) => (x - left).toFixed(2))).toContain(((Math.PI * 72 * 181) / 360).toFixed(2));
    expect(sheet.texts.map(({ text }) => text)).toContain('340');
    expect(sheet.texts.map(({ text }) => text).join()).toContain('181.0 ± 1.0°');
  });

  test('nothing runs off the sheet for the widest ring', async () => {
    const { sheets } = await readPdf(await pdf({ diameterMm: 250 }));
    for (const { texts, heightMm, widthMm } of sheets)
      for (const { xMm, yMm, widthMm: textMm } of texts) {
        expect(yMm).toBeLessThan(heightMm - 5);
        expect(xMm + textMm).toBeLessThan(widthMm - 5);
      }
  });

  test('refuses what is no ring', async () => {
    for (const diameterMm of [0, 3, 1000, Number.NaN])
      expect(() => tapePages({ ...tape, diameterMm }, 'a4', textWidth)).toThrow(
        /^the ring's diameter must be 15 to 250 mm, not/,
      );
  });

  test('the same tape gives the same bytes', async () => {
    expect((await pdf()).equals(await pdf())).toBe(true);
    expect((await pdf()).equals(await pdf({ diameterMm: 73 }))).toBe(false);
  });
});
