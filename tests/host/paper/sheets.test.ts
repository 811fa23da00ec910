/** Field card and session report as PDF: what pdf.js reads off them is what core says. */
import { describe, expect, test } from 'vitest';
import { makeEntry } from '../../../core/notebook/entry.ts';
import { ringMemory } from '../../../core/notebook/memory.ts';
import { depthOfFocusUm } from '../../../core/optics/formulas.ts';
import { lastSession } from '../../../core/paper/report.ts';
import { compassPoint } from '../../../core/sky/place.ts';
import { skyAt } from '../../../core/sky/positions.ts';
import { withSigma } from '../../../core/strings.ts';
import { type Settings, settingsSchema } from '../../../host/api.ts';
import { makePaper, type PaperKind, type PaperWishes } from '../../../host/paper/paper.ts';
import { evenings, LENS, truthMm } from './evening.ts';
import { readPdf, type Sheet } from './read.ts';

const entries = evenings();
const place = { name: 'Hill', latitudeDeg: 46.5, longitudeDeg: 8.2, elevationM: 1200, horizonDeg: 12, towardsDeg: 180 };
const settings: Settings = settingsSchema.parse({
  lensName: LENS,
  optics: { focalMm: 24, fNumber: 2.8 },
  camera: 'usb',
  place,
  body: 'body',
  kit: { cameras: [{ name: 'body', pixelUm: 4.4, widthPx: 8192, heightPx: 5464, liveModes: [] }] },
});
const wishes: PaperWishes = { paper: 'a4', atMs: Date.parse('2026-11-25T15:00:00Z'), zoneMinutes: 60 };

const sheetsOf = async (kind: PaperKind, given = entries, changed: Partial<Settings> = {}, wished = {}) =>
  (await readPdf(await makePaper(kind, given, { ...settings, ...changed }, { ...wishes, ...wished }))).sheets;
const textOf = (sheets: Sheet[]) =>
  sheets
    // The font has one glyph for micro sign and Greek mu, and the PDF names it as the latter.
    .flatMap(({ texts }) => texts.map(({ text }) => text.replaceAll('\u00a0', ' ').replaceAll('μ', 'µ')))
    .join('\n');
const expectOnSheet = ({ texts, paths, widthMm, heightMm }: Sheet) => {
  for (const { text, xMm, yMm, widthMm: textMm } of texts) {
    expect([text, xMm > 8, xMm + textMm < widthMm - 8, yMm < heightMm - 5]).toEqual([text, true, true, true]);
  }
  for (const [xMm, yMm] of paths.flat()) {
    expect(Math.min(xMm, widthMm - xMm, yMm, heightMm - yMm)).toBeGreaterThan(5);
  }
};

describe('field card', () => {
  test('one sheet with the night, targets where the sky has them, the ring as the notebook predicts it, cautions', async () => {
    const sheets = await sheetsOf('card');
    expect(sheets.length).toBe(1);
    expectOnSheet(sheets[0]);
    const text = textOf(sheets);
    expect(text).toMatch(/2026-11-25 +Hill/);
    expect(text).toMatch(/Sunset 16:4\d, dark 18:3\d to 05:5\d, sunrise 07:4\d \(UTC\+1\)/);
    // Full Moon on 24 November 2026 (almanacs, from memory).
    expect(text).toMatch(/Moon (full|waning), 9\d % lit/);

    // The first target's place at the first hour, as the sky itself has it.
    const { texts } = sheets[0];
    const head = texts.find(({ text: words }) => words === 'Focus on')!;
    const hour = texts.find(({ text: words, yMm }) => /^\d\d:\d\d$/.test(words) && Math.abs(yMm - head.yMm) < 1)!;
    const cell = texts.find(({ text: words, xMm }) => Math.abs(xMm - hour.xMm) < 0.5 && / up$/.test(words))!;
    const name = texts.find(({ xMm, yMm }) => Math.abs(yMm - cell.yMm) < 0.5 && xMm < 20)!.text;
    const [hours, minutes] = hour.text.split(':').map(Number);
    const sky = skyAt(place, Date.parse('2026-11-25T00:00:00Z') + (hours * 60 + minutes - 60) * 60_000);
    const body = [...sky.planets, ...sky.stars].find((known) => known.name === name)!;
    expect(cell.text).toBe(`${compassPoint(body.azimuthDeg)} ${Math.round(body.altitudeDeg)}° up`);
    expect(body.altitudeDeg).toBeGreaterThan(place.horizonDeg);

    // The newest entry's air is −2.4 °C.
    const { model } = ringMemory(entries, LENS, null)!;
    for (const temperatureC of [-2, -7, -12]) {
      expect(text).toContain(`−${-temperatureC} °C`);
      const { position, sigma } = model.predict({ focalMm: 24, temperatureC });
      expect(text).toContain(withSigma(position, sigma, '').trim());
    }
    expect(text).toContain('Depth of focus ± 8.6 µm');
    expect(text).toContain('Never point lens, mask or live view at or near the Sun.');
    expect(text).toContain('Tell someone where you are');
  });

  test('without place, entries and lens it says so, and keeps the cautions', async () => {
    const [sheet] = await sheetsOf('card', [], { place: null, lensName: '', optics: settingsSchema.parse({}).optics });
    const text = textOf([sheet]);
    expect(text).toContain('The place is not set');
    expect(text).toContain('∞ mark');
    expect(text).toContain('Never point lens');
  });

  test('where it does not get dark there are no targets', async () => {
    const north = { ...place, latitudeDeg: 70 };
    const text = textOf(await sheetsOf('card', [], { place: north }, { atMs: Date.parse('2026-06-21T12:00:00Z') }));
    expect(text).toContain('Nothing is bright and high enough tonight');
    expect(text).not.toMatch(/\d° up/);
  });

  test('stays on one sheet of Letter with a long lens name and many focal lengths', async () => {
    const long = `${'Wide and rather long name of a lens '.repeat(2)}14–35 mm`;
    const many = [12, 14, 16, 18, 20, 24, 28, 35].map((focalMm, i) => {
      const timeUtc = `2026-11-24T2${i % 4}:00:00.000Z`;
      const draft = { ringPosition: 60 + i, ringUnit: 'mm', lens: long, focalMm, temperatureC: 5, verdict: 'in-focus' };
      return makeEntry(draft, { id: `00000000-0000-4000-8000-00000000000${i}`, timeUtc });
    });
    const sheets = await sheetsOf('card', many, { lensName: long }, { paper: 'letter' });
    expect(sheets.length).toBe(1);
    expectOnSheet(sheets[0]);
  });
});

describe('session report', () => {
  test('entries, graphs and what the model leaves, over as many sheets as needed', async () => {
    const sheets = await sheetsOf('report');
    expect(sheets.length).toBe(2);
    sheets.forEach(expectOnSheet);
    const text = textOf(sheets);
    expect(text).toContain('Session of 2026-11-24');
    expect(text).toContain('18:10 to 22:50 UTC');
    expect(text).toContain('9 entries, 8 in focus');
    for (const { ringPosition, defocusUm, defocusSigmaUm } of lastSession(entries)) {
      expect(text).toContain(`${ringPosition} mm`);
      expect(text).toContain(withSigma(defocusUm!, defocusSigmaUm!, 'µm'));
    }
    expect(text).toContain('Read minus what all others say, in σ');
    expect(text).toContain('1 doubtful, circled.');
    expect(text).toContain('1 of 2');
  });

  test('points and band of the graph stand where time and defocus put them', async () => {
    const [sheet] = await sheetsOf('report');
    const frame = sheet.paths.find((path) => {
      const [[x0, y0], , [x1, y1]] =
        path.length >= 4
          ? path
          : [
              [0, 0],
              [0, 0],
              [0, 0],
            ];
      return path.length >= 4 && x1 - x0 > 100 && Math.abs(y1 - y0 - 62) < 0.01;
    })!;
    // The scale from the numbers beside the frame.
    const number = (text: string) => Number(text.replace('−', '-'));
    const numbers = sheet.texts
      .filter(
        ({ text, xMm, yMm }) => /^−?\d+$/.test(text) && xMm < frame[0][0] && yMm < frame[2][1] + 2 && yMm > frame[0][1],
      )
      .map(({ text, yMm }) => ({ value: number(text), yMm: yMm - 1.2 }));
    const [a, b] = [numbers[0], numbers.at(-1)!];
    const yOf = (value: number) => a.yMm + ((value - a.value) / (b.value - a.value)) * (b.yMm - a.yMm);
    const band = sheet.paths.find(
      (path) => path.length >= 4 && Math.abs(path[0][1] - yOf(-depthOfFocusUm(2.8))) < 0.05,
    )!;
    expect(Math.min(...band.map(([, y]) => y))).toBeCloseTo(yOf(depthOfFocusUm(2.8)), 1);
    // Bars of ± σ, one at each entry, evenly spaced in time.
    const bars = sheet.paths.filter(
      (path) =>
        path.length === 2 &&
        path[0][0] === path[1][0] &&
        path[0][0] > frame[0][0] &&
        path[0][1] < frame[2][1] &&
        Math.abs(path[0][1] - path[1][1]) > 2,
    );
    const session = lastSession(entries);
    expect(bars.length).toBe(session.length);
    bars.forEach((bar, i) => {
      const [low, high] = bar.map(([, y]) => y).toSorted((p, q) => q - p);
      expect(low).toBeCloseTo(yOf(session[i].defocusUm! - 1.4), 1);
      expect(high).toBeCloseTo(yOf(session[i].defocusUm! + 1.4), 1);
    });
    const steps = bars.slice(1).map((bar, i) => bar[0][0] - bars[i][0][0]);
    for (const step of steps) expect(step).toBeCloseTo(steps[0], 2);
  });

  test('a long session goes on over further sheets with its heads, and one entry alone is enough', async () => {
    const many = Array.from({ length: 60 }, (_, i) => ({
      ...entries[10],
      id: `00000000-0000-4000-8000-0000000000${String(i).padStart(2, '0')}`,
      timeUtc: new Date(Date.parse('2026-11-24T18:00:00Z') + i * 300_000).toISOString(),
    }));
    const sheets = await sheetsOf('report', many);
    expect(sheets.length).toBeGreaterThan(2);
    sheets.forEach(expectOnSheet);
    expect(textOf(sheets).match(/Target, note/g)!.length).toBe(sheets.length - 1);

    const { timeUtc, id } = entries[0];
    const bare = makeEntry({ note: 'clouds' }, { id, timeUtc });
    expect(textOf(await sheetsOf('report', [bare]))).toContain('clouds');
  });

  test('without entries there is none', async () => {
    await expect(sheetsOf('report', [])).rejects.toThrow(/^the notebook has no entries yet; /);
  });
});

describe('ring tape from the notebook', () => {
  const lens = { name: LENS, focalMinMm: 14, focalMaxMm: 35, fNumber: 2.8, ring: { unit: 'mm', barrelDiameterMm: 72 } };
  const kit = (changed = {}) =>
    settingsSchema.parse({ kit: { lenses: [{ ...lens, ring: { ...lens.ring, ...changed } }] } }).kit;

  test('diameter and unit come from the kit, marks from the model, near the truth', async () => {
    const text = textOf(await sheetsOf('tape', entries, { kit: kit() }, { temperatureC: 4 }));
    expect(text).toContain('226.2 mm round');
    expect(text).toContain('at 4 °C');
    for (const focalMm of [14, 24, 35] as const) {
      const [, position, sigma] = text.match(new RegExp(`${focalMm} mm: +([\\d.]+) ± ([\\d.]+) mm`))!.map(Number);
      expect(Math.abs(position - truthMm(focalMm, 4))).toBeLessThan(2 * sigma);
    }
  });

  test('a notebook in another unit leaves the marks out and says why', async () => {
    const marks = entries.map((entry) => ({ ...entry, ringUnit: 'marks' }));
    const text = textOf(await sheetsOf('tape', marks, { kit: kit() }));
    expect(text).toContain('the notebook has this ring in marks');
    expect(text).not.toContain('Focus on the stars');
  });

  test('positions beyond the tape are told, not drawn', async () => {
    const text = textOf(await sheetsOf('tape', entries, { kit: kit() }, { diameterMm: 20 }));
    expect(text).toMatch(/1 expected position lies beyond the tape’s end/);
  });

  test('a ring that was never measured is asked for', async () => {
    await expect(sheetsOf('tape')).rejects.toThrow(
      `the diameter of the focus ring of ${LENS} is not known; measure it`,
    );
    await expect(sheetsOf('tape', entries, {}, { diameterMm: 5 })).rejects.toThrow(
      'a focus ring is 15 to 250 mm across, not 5 mm',
    );
  });
});

test('the same wishes give the same bytes', async () => {
  for (const kind of ['card', 'report'] as const) {
    const [a, b] = [await makePaper(kind, entries, settings, wishes), await makePaper(kind, entries, settings, wishes)];
    expect(a.equals(b)).toBe(true);
  }
});
