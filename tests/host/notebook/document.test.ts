import { Ajv2020 } from 'ajv/dist/2020.js';
import { describe, expect, it } from 'vitest';
import { kitSchema } from '../../../core/kit/kit.ts';
import { CAMERA_PRESETS, LENS_PRESETS, MASK_PRESETS } from '../../../core/kit/presets.ts';
import { toCsv } from '../../../core/notebook/csv.ts';
import { type Entry, makeEntry, NotebookError } from '../../../core/notebook/entry.ts';
import { settingsSchema } from '../../../host/api.ts';
import { dataJsonSchema, readData, writeData } from '../../../host/notebook/document.ts';

const entry = (draft: object = {}): Entry =>
  makeEntry(draft, { id: crypto.randomUUID(), timeUtc: '2031-10-14T21:05:00.000Z' });

const kit = kitSchema.parse({ cameras: CAMERA_PRESETS, lenses: LENS_PRESETS, masks: MASK_PRESETS });
const everything = () => ({
  notebook: {
    entries: [entry({ offsetPx: -1.25e-9, offsetSigmaPx: 0, note: 'ü "–" 星' }), entry({ approach: 'rising' })],
    deletions: [{ id: crypto.randomUUID(), deletedUtc: '2031-10-15T00:00:00.000Z' }],
  },
  kit,
  settings: settingsSchema.parse({ lensName: 'wide', screen: { tint: false } }),
});

describe('the data document', () => {
  it('reads back what it wrote, whole or in part', () => {
    const all = everything();
    expect(readData(writeData(all))).toEqual(all);
    expect(readData(writeData({ kit }))).toEqual({ notebook: undefined, kit, settings: undefined });
  });

  it('reads the notebook as CSV, and the entries of version 1', () => {
    const { notebook } = everything();
    expect(readData(toCsv(notebook.entries)).notebook).toEqual({ entries: notebook.entries, deletions: [] });
    expect(readData(`\uFEFF${toCsv(notebook.entries)}`).notebook?.entries).toEqual(notebook.entries);
    expect(readData(toCsv([])).notebook?.entries).toEqual([]);
    const { approach, editedUtc, ...old } = notebook.entries[0];
    const version1 = JSON.stringify({ format: 'nightring-notebook', version: 1, entries: [old] });
    expect(readData(version1).notebook).toEqual({ entries: [notebook.entries[0]], deletions: [] });
  });

  // Reference: JSON Schema, draft 2020-12, as the validator Ajv understands it.
  it('is what its published JSON Schema says, and the schema refuses what is not', () => {
    const validate = new Ajv2020({ strict: false, validateFormats: false }).compile(dataJsonSchema());
    const document = JSON.parse(writeData(everything()));
    expect(validate(document), JSON.stringify(validate.errors)).toBe(true);
    for (const wrong of [
      { ...document, version: 'two' },
      { ...document, colour: 1 },
      { ...document, notebook: { entries: [{ focalMm: -1 }] } },
      { ...document, kit: { ...document.kit, lenses: [{ name: 'wide' }] } },
    ])
      expect(validate(wrong)).toBe(false);
  });

  const changed = (change: object) => JSON.stringify({ ...JSON.parse(writeData(everything())), ...change });
  it.each<[string, string, RegExp]>([
    ['empty', '', /holds no entries/],
    ['truncated', writeData(everything()).slice(0, -20), /neither JSON nor CSV/],
    ['a list', '[]', /does not come from Nightring/],
    ['null', 'null', /does not come from Nightring/],
    ['a picture', '\u00ff\u00d8\u00ff\u00e0 JFIF', /holds no entries/],
    ['of another format', changed({ format: 'x' }), /does not come from Nightring/],
    ['of a newer version', changed({ version: 3 }), /newer Nightring/],
    ['of version 1 without entries', '{"format":"nightring-notebook","version":1}', /entries/],
    ['with a bad entry', changed({ notebook: { entries: [{ ...entry(), focalMm: 0 }] } }), /entries\.0\.focalMm/],
    ['with an entry without id', changed({ notebook: { entries: [{ note: 'x' }] } }), /id or timeUtc/],
    ['with a bad lens', changed({ kit: { lenses: [{ ...LENS_PRESETS[0], fNumber: 0 }] } }), /kit\.lenses\.0\.fNumber/],
  ])('that is %s is refused in one line', (_what, text, message) => {
    expect(() => readData(text)).toThrow(NotebookError);
    expect(() => readData(text)).toThrow(message);
    expect(() => readData(text)).toThrow(/^Nothing was imported: [^\n]+\.$/);
  });
});
