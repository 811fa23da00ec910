import { describe, expect, it } from 'vitest';
import type { Calibration } from '../../../core/guide/calibrate.ts';
import {
  bodyInUse,
  freeName,
  type InUse,
  keptKit,
  kitSchema,
  lensInUse,
  livePixelUm,
  mergeKits,
  renamedInKit,
  withLens,
  withMask,
} from '../../../core/kit/kit.ts';
import { CAMERA_PRESETS, LENS_PRESETS, MASK_PRESETS } from '../../../core/kit/presets.ts';
import { offsetSlope } from '../../../core/optics/mask.ts';

const calibration = (significance: number): Calibration => ({
  version: 1,
  middleAngleDeg: 24,
  clockwiseSign: 1,
  significance,
  perMark: null,
  orientation: null,
  handedness: null,
  focalMm: 24,
});
const kit = kitSchema.parse({ cameras: CAMERA_PRESETS, lenses: LENS_PRESETS, masks: MASK_PRESETS });
const [zoom, prime] = ['14–24 mm f/2.8', '50 mm f/1.8'];
const inUse: InUse = {
  body: CAMERA_PRESETS[0].name,
  lensName: zoom,
  optics: { focalMm: 20, fNumber: 2.8, pixelUm: null },
  mask: MASK_PRESETS[0],
  calibration: calibration(9),
  kit,
};

describe('presets', () => {
  it('are a valid kit with names of their own', () => {
    for (const list of [kit.cameras, kit.lenses, kit.masks])
      expect(new Set(list.map(({ name }) => name)).size).toBe(list.length);
  });

  it('are named by what they are', () => {
    for (const { name, pixelUm, widthPx, heightPx } of CAMERA_PRESETS) {
      const [width, height, pixel] = name.match(/[\d.]+/g)!.map(Number);
      expect((pixelUm * widthPx) / 1000 / width).toBeCloseTo(1, 1);
      expect((pixelUm * heightPx) / 1000 / height).toBeCloseTo(1, 1);
      expect(pixelUm).toBe(pixel);
    }
    for (const { name, focalMinMm, focalMaxMm, fNumber } of LENS_PRESETS) {
      const numbers = name.match(/[\d.]+/g)!.map(Number);
      expect(numbers).toEqual(focalMinMm === focalMaxMm ? [focalMinMm, fNumber] : [focalMinMm, focalMaxMm, fNumber]);
    }
  });

  it('have masks whose offset tells defocus', () => {
    for (const mask of MASK_PRESETS) expect(offsetSlope(mask, 20).k).not.toBe(0);
  });
});

describe('live view', () => {
  // 6000 px of 6 µm are 36 mm; shown on 1024 px one of them is 35.16 µm wide, a tenth of that at 10 ×.
  it.each([
    [1, 36_000 / 1024],
    [10, 3600 / 1024],
    [3, null],
    [null, null],
  ])('at magnification %s', (magnification, pixelUm) => {
    const found = livePixelUm(CAMERA_PRESETS[0], magnification);
    if (pixelUm === null) expect(found).toBe(null);
    else expect(found).toBeCloseTo(pixelUm, 9);
  });

  it('of one mode only need not tell its magnification', () => {
    const camera = { ...CAMERA_PRESETS[0], liveModes: [{ magnification: 1, widthPx: 1000 }] };
    expect(livePixelUm(camera, null)).toBeCloseTo(36, 9);
  });
});

describe('what is in use', () => {
  it('is found by its name', () => {
    expect(bodyInUse(inUse)).toEqual(CAMERA_PRESETS[0]);
    expect(lensInUse(inUse)?.name).toBe(zoom);
    expect(lensInUse({ ...inUse, lensName: 'borrowed' })).toBe(null);
  });

  it('a calibration belongs to lens and mask: it goes with them and comes back', () => {
    const first = { ...inUse, kit: keptKit(inUse) };
    const other = { ...first, ...withLens(first, prime) };
    expect(other).toMatchObject({
      lensName: prime,
      optics: { focalMm: 50, fNumber: 1.8, pixelUm: null },
      calibration: null,
    });
    const calibrated = { ...other, calibration: calibration(5) };
    const back = { ...calibrated, kit: keptKit(calibrated) };
    expect(withLens(back, zoom)).toMatchObject({ optics: { focalMm: 14 }, calibration: calibration(9) });
    const masked = { ...back, ...withMask(back, MASK_PRESETS[1].name) };
    expect(masked).toMatchObject({ mask: MASK_PRESETS[1], calibration: null });
    expect(withMask({ ...masked, kit: keptKit(masked) }, MASK_PRESETS[0].name).calibration).toEqual(calibration(5));
  });

  it('a zoom keeps the focal length it has', () => {
    expect(withLens({ ...inUse, lensName: '' }, zoom).optics).toEqual({ focalMm: 20, fNumber: 2.8, pixelUm: null });
  });

  it('a lens that is not in the kit changes nothing but the name', () => {
    expect(withLens(inUse, 'borrowed')).toEqual({ lensName: 'borrowed', optics: inUse.optics, calibration: null });
    expect(withMask(inUse, 'borrowed').mask).toBe(inUse.mask);
  });

  it('what was set of the mask stays with it; a forgotten calibration is forgotten', () => {
    const changed = keptKit({ ...inUse, mask: { ...inUse.mask, handedness: -1 } });
    expect(changed.masks[0].handedness).toBe(-1);
    expect(keptKit({ ...inUse, kit: changed, calibration: null }).calibrations).toEqual([]);
    expect(keptKit({ ...inUse, lensName: '' }).calibrations).toEqual([]);
  });
});

describe('the kit as a whole', () => {
  it('another name takes along what was learned', () => {
    const renamed = renamedInKit(keptKit(inUse), 'lens', zoom, 'wide');
    expect(renamed.lenses.map(({ name }) => name)).toContain('wide');
    expect(renamed.lenses.map(({ name }) => name)).not.toContain(zoom);
    expect(renamed.calibrations).toMatchObject([{ lens: 'wide', mask: MASK_PRESETS[0].name }]);
    expect(renamedInKit(renamed, 'mask', MASK_PRESETS[0].name, 'mine').calibrations[0].mask).toBe('mine');
  });

  it('two become one by name, the second one’s items counting; again changes nothing', () => {
    const other = kitSchema.parse({
      lenses: [
        { ...LENS_PRESETS[0], fNumber: 4 },
        { ...LENS_PRESETS[0], name: 'new' },
      ],
    });
    const merged = mergeKits(kit, other);
    expect(merged.lenses).toHaveLength(kit.lenses.length + 1);
    expect(merged.lenses[0].fNumber).toBe(4);
    expect(mergeKits(merged, other)).toEqual(merged);
  });

  it('gives out each name once', () => {
    expect(freeName([], 'wide')).toBe('wide');
    expect(freeName([{ name: 'wide' }, { name: 'wide (2)' }], 'wide')).toBe('wide (3)');
  });

  it.each([
    [{ lenses: [{ ...LENS_PRESETS[0], fNumber: 0 }] }],
    [{ cameras: [{ ...CAMERA_PRESETS[0], widthPx: 0.5 }] }],
    [{ masks: [{ layout: 'quarters' }] }],
    [{ tripods: [] }],
  ])('refuses what is none: %j', (wrong) => {
    expect(kitSchema.safeParse(wrong).success).toBe(false);
  });
});
