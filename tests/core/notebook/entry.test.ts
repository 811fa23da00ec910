import { describe, expect, it } from 'vitest';
import { type EntryDraft, makeEntry, NotebookError } from '../../../core/notebook/entry.ts';
import { DEFAULT_MASK } from '../../../core/optics/mask.ts';

const fallback = { id: 'b4cfa2f8-5f4b-4d8a-9a3e-1c7f0a4f9d11', timeUtc: '2031-10-14T21:05:00.000Z' };

describe('makeEntry', () => {
  it('completes a draft', () => {
    expect(makeEntry({ lens: ' wide lens ', ringPosition: -0.5, ringUnit: 'mark' }, fallback)).toEqual({
      ...fallback,
      lens: 'wide lens',
      ringPosition: -0.5,
      editedUtc: fallback.timeUtc,
      ringUnit: 'mark',
      approach: null,
      focalMm: null,
      temperatureC: null,
      target: '',
      offsetPx: null,
      offsetSigmaPx: null,
      defocusUm: null,
      defocusSigmaUm: null,
      verdict: 'not-measured',
      measuredOn: null,
      note: '',
      settings: { camera: '', fNumber: null, pixelUm: null, mask: null },
    });
  });

  it('keeps the mask as it was set', () => {
    const draft: EntryDraft = { settings: { mask: { ...DEFAULT_MASK, pitchUm: 80 } } };
    expect(makeEntry(draft, fallback).settings.mask).toEqual({ ...DEFAULT_MASK, pitchUm: 80 });
  });

  it("keeps the draft's own id and time, the time in milliseconds UTC", () => {
    const entry = makeEntry({ id: '6F1C0D7E-33A0-4C52-8E0B-2F6F5F1F8A01', timeUtc: '2031-10-14T22:00:00Z' }, fallback);
    expect(entry.id).toBe('6f1c0d7e-33a0-4c52-8e0b-2f6f5f1f8a01');
    expect(entry.timeUtc).toBe('2031-10-14T22:00:00.000Z');
  });

  it.each<[string, unknown]>([
    ['focalMm', { focalMm: -24 }],
    ['focalMm', { focalMm: '24' }],
    ['temperatureC', { temperatureC: -300 }], // below absolute zero, −273.15 °C (SI definition of the kelvin)
    ['ringPosition', { ringPosition: Number.NaN }],
    ['offsetPx', { offsetPx: Number.POSITIVE_INFINITY, offsetSigmaPx: 1 }],
    ['offsetSigmaPx', { offsetPx: 1.2 }],
    ['defocusSigmaUm', { defocusUm: 3, defocusSigmaUm: -1 }],
    ['verdict', { verdict: 'perfect' }],
    ['timeUtc', { timeUtc: 'yesterday' }],
    ['timeUtc', { timeUtc: '2031-02-30T00:00:00Z' }],
    ['timeUtc', { timeUtc: '2031-10-14T22:00:00+02:00' }],
    ['id', { id: '17' }],
    ['note', { note: 'x'.repeat(4001) }],
    ['settings.mask', { settings: { mask: 'half' } }],
    ['focalLength', { focalLength: 24 }],
  ])('refuses a wrong %s in one line that names it', (field, draft) => {
    const attempt = () => makeEntry(draft, fallback);
    expect(attempt).toThrow(NotebookError);
    expect(attempt).toThrow(
      new RegExp(`^The entry was not written down: [^\n]*${field.replace('.', '\\.')}[^\n]*\\.$`),
    );
  });

  it.each([null, 7, 'text', [[]]])('refuses what is no entry at all: %j', (draft) => {
    expect(() => makeEntry(draft, fallback)).toThrow(NotebookError);
  });
});
