/**
 * The kit: cameras, lenses and masks that a photographer owns, and what was learned with them. Each has
 * a name of its own, which the notebook uses too; what is in use is what the settings name.
 */
import { z } from 'zod';
import type { Calibration } from '../guide/calibrate.ts';
import { RING_UNITS, type RingUnit } from '../notebook/ring.ts';
import { DEFAULT_MASK, ZONE_LAYOUTS } from '../optics/mask.ts';

const name = z.string().trim().min(1).max(200);
const positive = z.number().positive();
const side = z.union([z.literal(1), z.literal(-1)]).nullable();

/** A mask as a JSON file, in the kit or in the settings; what is left out is as in DEFAULT_MASK. */
export const maskSchema = z.strictObject({
  name: name.default(DEFAULT_MASK.name),
  layout: z.enum(ZONE_LAYOUTS).default(DEFAULT_MASK.layout),
  orientation: side.default(DEFAULT_MASK.orientation),
  handedness: side.default(DEFAULT_MASK.handedness),
  pitchUm: positive.nullable().default(DEFAULT_MASK.pitchUm),
  outerAngleDeg: z.number().min(0).lt(90).nullable().default(DEFAULT_MASK.outerAngleDeg),
  ribD: z.number().min(0).max(0.3).default(DEFAULT_MASK.ribD),
  duty: z.number().gt(0).lt(1).default(DEFAULT_MASK.duty),
  /** See LearnedMask; absent when the figures were typed. */
  learned: z
    .strictObject({
      timeUtc: z.string().max(40),
      focalMm: positive,
      pitchSigmaUm: positive,
      outerAngleSigmaDeg: positive,
      scaleSigma: positive,
    })
    .nullable()
    .optional(),
});

/** A calibration is made and read by core/guide; elsewhere it is only kept. */
export const calibrationSchema = z.custom<Calibration>(
  (value) => typeof value === 'object' && value !== null && 'version' in value,
);

const cameraSchema = z.strictObject({
  name,
  /** Of the sensor, at full resolution. */
  pixelUm: positive,
  widthPx: z.number().int().positive(),
  heightPx: z.number().int().positive(),
  /** Live view: at magnification m it shows 1/m of the sensor's width on so many pixels. */
  liveModes: z.array(z.strictObject({ magnification: positive, widthPx: z.number().int().positive() })).max(20),
});

const lensSchema = z.strictObject({
  name,
  /** Both the same for a fixed focal length. */
  focalMinMm: positive,
  focalMaxMm: positive,
  /** Widest aperture. */
  fNumber: positive,
  ring: z.strictObject({
    unit: z.enum(Object.keys(RING_UNITS) as [RingUnit, ...RingUnit[]]).default('marks'),
    /** Both ends of the scale, in its unit. */
    from: z.number().nullable().default(null),
    to: z.number().nullable().default(null),
    /** The way of turning that makes the numbers rise, seen from behind the camera. */
    rising: z.enum(['clockwise', 'counter-clockwise']).nullable().default(null),
    /** How far the ring turns before the lens follows when the direction changes. */
    backlash: z.number().nonnegative().nullable().default(null),
    /** Outer diameter of the ring, for a printed tape. */
    barrelDiameterMm: positive.nullable().default(null),
  }),
});

export type KitCamera = z.output<typeof cameraSchema>;
export type KitLens = z.output<typeof lensSchema>;
export type KitMask = z.output<typeof maskSchema>;

/** Names are unique within each list. */
export const kitSchema = z.strictObject({
  cameras: z.array(cameraSchema).max(100).default([]),
  lenses: z.array(lensSchema).max(300).default([]),
  masks: z.array(maskSchema).max(100).default([]),
  /** What calibration turns have taught, by the names of lens and mask. */
  calibrations: z
    .array(z.strictObject({ lens: name, mask: name, calibration: calibrationSchema }))
    .max(2000)
    .default([]),
});
export type Kit = z.output<typeof kitSchema>;

/** The part of the settings that says what is in use. */
export interface InUse {
  /** Name of the camera's body in the kit, empty for none. The camera at the cable is chosen apart from it. */
  body: string;
  lensName: string;
  optics: { focalMm: number | null; fNumber: number | null; pixelUm: number | null };
  mask: KitMask;
  calibration: Calibration | null;
  kit: Kit;
}

export const bodyInUse = ({ kit, body }: InUse): KitCamera | null => byName(kit.cameras, body);
export const lensInUse = ({ kit, lensName }: Pick<InUse, 'kit' | 'lensName'>): KitLens | null =>
  byName(kit.lenses, lensName);

function byName<T extends { name: string }>(list: readonly T[], wanted: string): T | null {
  return list.find((item) => item.name === wanted) ?? null;
}

/** Size on the sensor of one live-view pixel, µm; null when the kit does not say. */
export function livePixelUm(camera: KitCamera, magnification: number | null): number | null {
  const { liveModes, pixelUm, widthPx } = camera;
  // A camera that does not tell its magnification leaves no choice only where there is one mode.
  const mode =
    magnification === null
      ? liveModes.length === 1 && liveModes[0]
      : liveModes.find((known) => known.magnification === magnification);
  return mode ? (pixelUm * widthPx) / (mode.magnification * mode.widthPx) : null;
}

/** The lens put on: its f-number and a focal length it has, and what was learned of it with this mask. */
export function withLens(inUse: InUse, lensName: string): Pick<InUse, 'lensName' | 'optics' | 'calibration'> {
  const lens = byName(inUse.kit.lenses, lensName);
  const { optics } = inUse;
  const calibration = calibrationFor(inUse.kit, lensName, inUse.mask.name);
  if (!lens) return { lensName, optics, calibration };
  const { focalMinMm, focalMaxMm, fNumber } = lens;
  const has = optics.focalMm !== null && optics.focalMm >= focalMinMm && optics.focalMm <= focalMaxMm;
  return { lensName, optics: { ...optics, focalMm: has ? optics.focalMm : focalMinMm, fNumber }, calibration };
}

/** The mask put before the lens, and what was learned with it. A name the kit does not have changes nothing. */
export function withMask(inUse: InUse, maskName: string): Pick<InUse, 'mask' | 'calibration'> {
  const mask = byName(inUse.kit.masks, maskName) ?? inUse.mask;
  return { mask, calibration: calibrationFor(inUse.kit, inUse.lensName, mask.name) };
}

function calibrationFor(kit: Kit, lens: string, mask: string): Calibration | null {
  return kit.calibrations.find((known) => known.lens === lens && known.mask === mask)?.calibration ?? null;
}

/** The kit with what was changed or learned while in use: the mask's settings, and the calibration. */
export function keptKit({ kit, lensName, mask, calibration }: InUse): Kit {
  const masks = kit.masks.map((known) => (known.name === mask.name ? mask : known));
  if (!lensName) return { ...kit, masks };
  const others = kit.calibrations.filter((known) => known.lens !== lensName || known.mask !== mask.name);
  const own = calibration ? [{ lens: lensName, mask: mask.name, calibration }] : [];
  return { ...kit, masks, calibrations: [...others, ...own] };
}

/** The kit with a lens or mask under another name; what was learned with it goes along. */
export function renamedInKit(kit: Kit, kind: 'lens' | 'mask', from: string, to: string): Kit {
  const rename = <T extends { name: string }>(list: T[]) =>
    list.map((item) => (item.name === from ? { ...item, name: to } : item));
  return {
    ...kit,
    lenses: kind === 'lens' ? rename(kit.lenses) : kit.lenses,
    masks: kind === 'mask' ? rename(kit.masks) : kit.masks,
    calibrations: kit.calibrations.map((known) => (known[kind] === from ? { ...known, [kind]: to } : known)),
  };
}

/** Two kits as one; where both know a name, the second one's item is taken. */
export function mergeKits(own: Kit, other: Kit): Kit {
  const merge = <T>(a: T[], b: T[], key: (item: T) => string) => [
    ...new Map([...a, ...b].map((item) => [key(item), item])).values(),
  ];
  const named = (item: { name: string }) => item.name;
  return {
    cameras: merge(own.cameras, other.cameras, named),
    lenses: merge(own.lenses, other.lenses, named),
    masks: merge(own.masks, other.masks, named),
    calibrations: merge(own.calibrations, other.calibrations, ({ lens, mask }) => JSON.stringify([lens, mask])),
  };
}

/** `wanted`, or with a number after it when the list has that name already. */
export function freeName(list: readonly { name: string }[], wanted: string): string {
  for (let number = 1; ; number++) {
    const candidate = number === 1 ? wanted : `${wanted} (${number})`;
    if (!byName(list, candidate)) return candidate;
  }
}
