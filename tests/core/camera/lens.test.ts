import { expect, it } from 'vitest';
import { isRead, NOTHING_READ, takeLens } from '../../../core/camera/lens.ts';
import { type InUse, kitSchema } from '../../../core/kit/kit.ts';
import { DEFAULT_MASK } from '../../../core/optics/mask.ts';

const empty: InUse = {
  body: '',
  lensName: '',
  optics: { focalMm: null, fNumber: null, pixelUm: 4 },
  mask: DEFAULT_MASK,
  calibration: null,
  kit: kitSchema.parse({}),
};
const report = { lensName: 'Invented 14-50', focalMm: 24, fNumber: 2.8 };
const first = takeLens(empty, NOTHING_READ, 'usb', report)!;

it('fills what is empty, and marks it as read', () => {
  expect(first).toMatchObject({
    lensName: 'Invented 14-50',
    optics: { focalMm: 24, fNumber: 2.8, pixelUm: 4 },
    fromCamera: { camera: 'usb', ...report },
  });
  const { fromCamera, ...change } = first;
  const now = { ...empty, ...change };
  expect(isRead(now, fromCamera)).toEqual({ lensName: true, focalMm: true, fNumber: true });
  expect(takeLens(now, fromCamera, 'usb', report)).toBeNull();
});

it('follows the zoom, but leaves what was typed', () => {
  const typed = { ...empty, lensName: 'Mine', optics: { focalMm: 24, fNumber: 4, pixelUm: null } };
  const change = takeLens(typed, first.fromCamera, 'usb', { ...report, focalMm: 35 })!;
  expect(change).toEqual({
    optics: { focalMm: 35, fNumber: 4, pixelUm: null },
    fromCamera: { camera: 'usb', lensName: null, focalMm: 35, fNumber: null },
  });
});

it('marks as read what was typed and is the same', () => {
  const typed = { ...empty, optics: { focalMm: 24, fNumber: null, pixelUm: null } };
  expect(takeLens(typed, NOTHING_READ, 'usb', report)!.fromCamera.focalMm).toBe(24);
});

it('forgets what another camera told, where this one says nothing; keeps it while the same one is silent', () => {
  const { fromCamera, ...change } = first;
  const now = { ...empty, ...change };
  const silent = { lensName: null, focalMm: null, fNumber: 4 };
  expect(takeLens(now, fromCamera, 'ptpip:192.0.2.1', silent)).toMatchObject({
    lensName: '',
    optics: { focalMm: null, fNumber: 4 },
    fromCamera: { camera: 'ptpip:192.0.2.1', lensName: null, focalMm: null, fNumber: 4 },
  });
  expect(takeLens(now, fromCamera, 'usb', { lensName: null, focalMm: null, fNumber: null })).toBeNull();
});

it('takes what the kit knows of a lens that is put on', () => {
  const kit = kitSchema.parse({
    lenses: [{ name: 'Invented 14-50', focalMinMm: 14, focalMaxMm: 50, fNumber: 2.8, ring: {} }],
  });
  const change = takeLens({ ...empty, kit }, NOTHING_READ, 'usb', { ...report, focalMm: null, fNumber: null })!;
  expect(change).toMatchObject({ lensName: 'Invented 14-50', optics: { focalMm: 14, fNumber: 2.8 } });
});
