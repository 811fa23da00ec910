import { parse } from 'csv-parse/sync';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { csvLines, entriesOfRecords, toCsv } from '../../../core/notebook/csv.ts';
import { APPROACHES, type Entry, makeEntry, NotebookError, VERDICTS } from '../../../core/notebook/entry.ts';
import { DEFAULT_MASK, ZONE_LAYOUTS } from '../../../core/optics/mask.ts';

const entry = (draft: object): Entry =>
  makeEntry(draft, { id: crypto.randomUUID(), timeUtc: '2031-10-14T21:05:00.000Z' });

// RFC 4180 section 2, the examples of its rules. Rule 5 leaves quotes free where they are not needed.
describe('CSV against RFC 4180', () => {
  it('ends each record with CRLF (rules 1 and 2)', () => {
    const records = [
      ['aaa', 'bbb', 'ccc'],
      ['zzz', 'yyy', 'xxx'],
    ];
    expect(csvLines(records)).toBe('aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n');
  });

  it('quotes fields with line breaks, quotes and commas (rule 6)', () => {
    const records = [
      ['aaa', 'b \r\nbb', 'ccc'],
      ['zzz', 'yyy', 'xxx'],
    ];
    expect(csvLines(records)).toBe('aaa,"b \r\nbb",ccc\r\nzzz,yyy,xxx\r\n');
    expect(csvLines([['a,b', '']])).toBe('"a,b",\r\n');
  });

  it('doubles a quote inside a field (rule 7)', () => {
    expect(csvLines([['aaa', 'b"bb', 'ccc']])).toBe('aaa,"b""bb",ccc\r\n');
  });

  it('keeps spaces (rule 4)', () => {
    expect(csvLines([[' a ', 'b']])).toBe(' a ,b\r\n');
  });

  // Reference reader: csv-parse 7, with no option set but what RFC 4180 says.
  it('reads back field for field in an independent reader', () => {
    const plainField = fc.string({ unit: 'grapheme' }).filter((text) => !/^'*[=+\-@\t\r\n＝＋－＠]/.test(text));
    const nasty = fc.stringMatching(/^[a,"\r\n ]*$/).map((text) => `x${text}`);
    const record = fc.array(fc.oneof(plainField, nasty), { minLength: 2, maxLength: 6 });
    fc.assert(
      fc.property(record, record, (first, second) => {
        const read = (records: string[][]) =>
          parse(csvLines(records), { record_delimiter: '\r\n', relax_column_count: true });
        expect(read([first, second])).toEqual([first, second]);
      }),
    );
  });
});

// OWASP, "CSV Injection": cells that begin with these characters are taken for formulas.
describe('CSV in a spreadsheet', () => {
  it.each(['=1+1', '+1', '-1', '@SUM(A1)', '\t=1', '\r=1', '\n=1', '＝1'])('makes %j plain text', (note) => {
    const [record] = parse(csvLines([[note, 'x']]), { record_delimiter: '\r\n' });
    expect(record[0]).toBe(`'${note}`);
  });

  it('leaves negative numbers alone', () => {
    expect(csvLines([[-1.25, null, 1e-7]])).toBe('-1.25,,1e-7\r\n');
  });

  it('covers what a user can type into an entry', () => {
    const csv = toCsv([entry({ note: '=HYPERLINK("http://x")', lens: '@a', target: '-b', ringUnit: '+c' })]);
    const [record] = parse(csv, { columns: true }) as Record<string, string>[];
    expect(record).toMatchObject({ note: `'=HYPERLINK("http://x")`, lens: "'@a", target: "'-b", ringUnit: "'+c" });
  });
});

describe('CSV of entries', () => {
  it('has a header and one record each, numbers unrounded, unknown empty', () => {
    const written = entry({
      ringPosition: 3.2,
      focalMm: 24,
      offsetPx: -0.123456789012345,
      offsetSigmaPx: 0.05,
      verdict: 'in-focus',
      note: 'cold, "clear"\nwind',
      settings: { fNumber: 2.8 },
    });
    const records = parse(toCsv([written, entry({})]), { columns: true }) as Record<string, string>[];
    expect(records).toHaveLength(2);
    expect(records[0]).toMatchObject({
      id: written.id,
      timeUtc: '2031-10-14T21:05:00.000Z',
      ringPosition: '3.2',
      offsetPx: '-0.123456789012345',
      temperatureC: '',
      verdict: 'in-focus',
      note: 'cold, "clear"\nwind',
      fNumber: '2.8',
      mask: '',
    });
  });

  it('is only the header for an empty notebook', () => {
    expect(toCsv([])).toMatch(/^timeUtc,target,[^\n]*,id\r\n$/);
  });
});

/** As a file is read: csv-parse, an independent reader. */
const records = (csv: string): Record<string, string>[] => parse(csv, { columns: true });

describe('CSV taken over', () => {
  const number = fc.double({ noNaN: true, noDefaultInfinity: true }).map((value) => value || 0); // text has no −0
  const above0 = fc.double({ min: 0, minExcluded: true, noNaN: true, noDefaultInfinity: true });
  const optional = <T>(value: fc.Arbitrary<T>) => fc.option(value, { nil: null });
  const words = fc
    .oneof(fc.string({ maxLength: 40 }), fc.stringMatching(/^['=+\-@,"]{1,6}$/))
    .map((text) => text.trim());
  const anyEntry = fc
    .record({
      timeUtc: fc.date({ min: new Date(0), max: new Date('2100-01-01'), noInvalidDate: true }),
      ringPosition: optional(number),
      ringUnit: words,
      approach: optional(fc.constantFrom(...APPROACHES)),
      lens: words,
      focalMm: optional(above0),
      temperatureC: optional(fc.double({ min: -60, max: 60, noNaN: true }).map((value) => value || 0)),
      target: words,
      verdict: fc.constantFrom(...VERDICTS),
      measuredOn: optional(fc.constantFrom('live' as const, 'still' as const)),
      note: words,
      offset: optional(fc.tuple(number, fc.double({ min: 0, max: 1e9, noNaN: true }))),
      settings: fc.record({
        camera: words,
        fNumber: optional(above0),
        pixelUm: optional(above0),
        mask: optional(
          fc.record({
            name: words.map((name) => name || 'mask'),
            layout: fc.constantFrom(...ZONE_LAYOUTS),
            orientation: optional(fc.constantFrom(1 as const, -1 as const)),
            handedness: optional(fc.constantFrom(1 as const, -1 as const)),
            pitchUm: optional(above0),
            outerAngleDeg: optional(fc.double({ min: 0, max: 89, noNaN: true })),
            ribD: fc.double({ min: 0, max: 0.3, noNaN: true }),
            duty: fc.double({ min: 0.01, max: 0.99, noNaN: true }),
          }),
        ),
      }),
    })
    .map(({ timeUtc, offset, ...draft }) =>
      entry({
        ...draft,
        timeUtc: timeUtc.toISOString(),
        offsetPx: offset?.[0] ?? null,
        offsetSigmaPx: offset?.[1] ?? null,
      }),
    );

  it('gives back every entry as it was written', () => {
    fc.assert(
      fc.property(fc.array(anyEntry, { maxLength: 4 }), (entries) => {
        expect(entriesOfRecords(records(toCsv(entries)))).toEqual(entries);
      }),
    );
  });

  it('takes a list kept by hand; taken over again it is the same entries', () => {
    const byHand = 'timeUtc,lens,ringPosition,verdict\n2031-10-14T21:05:00Z,wide,6.4,in-focus\n';
    const [first] = entriesOfRecords(records(byHand));
    expect(first).toMatchObject({ lens: 'wide', ringPosition: 6.4, verdict: 'in-focus', temperatureC: null });
    expect(first.editedUtc).toBe('2031-10-14T21:05:00.000Z');
    expect(entriesOfRecords(records(byHand))).toEqual([first]);
    expect(entriesOfRecords(records(byHand.replace('6.4', '6.5')))[0].id).not.toBe(first.id);
  });

  it.each<[string, string, RegExp]>([
    ['an unknown column', 'timeUtc,ring\n2031-10-14T21:05:00Z,6\n', /record 1: there is no column "ring"/],
    ['no time', 'lens\nwide\n', /record 1: timeUtc is missing/],
    ['a wrong number', 'timeUtc,focalMm\n2031-10-14T21:05:00Z,24\n2031-10-14T21:05:00Z,wide\n', /record 2: focalMm/],
  ])('refuses %s in one line', (_what, csv, message) => {
    expect(() => entriesOfRecords(records(csv))).toThrow(NotebookError);
    expect(() => entriesOfRecords(records(csv))).toThrow(message);
    expect(() => entriesOfRecords(records(csv))).toThrow(/^Nothing was imported: [^\n]+\.$/);
  });

  it('keeps the whole mask', () => {
    const masked = entry({ settings: { mask: { ...DEFAULT_MASK, pitchUm: 150, orientation: -1 } } });
    expect(entriesOfRecords(records(toCsv([masked])))[0].settings.mask).toEqual(masked.settings.mask);
  });
});
