import { parse } from 'csv-parse/sync';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { type Entry, makeEntry, NotebookError } from '../../../core/notebook/entry.ts';
import { csvLines, fromJson, toCsv, toJson } from '../../../core/notebook/export.ts';

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
    const plainField = fc.string({ unit: 'grapheme' }).filter((text) => !/^[=+\-@\t\r\n＝＋－＠]/.test(text));
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

describe('JSON', () => {
  it('reads back what it wrote', () => {
    const entries = [entry({ offsetPx: -1.25e-9, offsetSigmaPx: 0, note: 'ü "–" 星' }), entry({ ringPosition: null })];
    expect(fromJson(toJson(entries))).toEqual(entries);
    expect(fromJson(toJson([]))).toEqual([]);
  });

  const exported = () => JSON.parse(toJson([entry({}), entry({})]));
  it.each<[string, string, RegExp]>([
    ['empty', '', /not JSON/],
    ['truncated', toJson([entry({})]).slice(0, -20), /not JSON/],
    ['a list', '[]', /not an exported notebook/],
    ['null', 'null', /not an exported notebook/],
    ['of another format', '{"format":"x","version":1,"entries":[]}', /not an exported notebook/],
    ['of a newer version', JSON.stringify({ ...exported(), version: 2 }), /newer/],
    ['without entries', JSON.stringify({ ...exported(), entries: undefined }), /entries/],
    ['with a bad entry', toJson([entry({}), { ...entry({}), focalMm: 0 }]), /entries\.1\.focalMm/],
    ['with an entry without id', toJson([{ ...entry({}), id: undefined } as unknown as Entry]), /id or timeUtc/],
  ])('refuses a file that is %s, in one line', (_what, text, message) => {
    expect(() => fromJson(text)).toThrow(NotebookError);
    expect(() => fromJson(text)).toThrow(message);
    expect(() => fromJson(text)).toThrow(/^Nothing was imported: [^\n]+\.$/);
  });
});
