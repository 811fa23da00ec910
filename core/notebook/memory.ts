import type { KitLens } from '../kit/kit.ts';
import type { Entry } from './entry.ts';
import { RING_UNITS, RingModel, ringPoints, ringPriors } from './ring.ts';

/** What the notebook knows of one lens's ring. */
export interface RingMemory {
  unit: string;
  model: RingModel;
}

/**
 * What the entries teach of a lens, in the unit of its ring as the kit has it, or as the newest entry in focus has.
 * @returns null while there is no entry of it in focus
 */
export function ringMemory(entries: readonly Entry[], lens: string, inKit: KitLens | null): RingMemory | null {
  const unit =
    inKit && ringPoints(entries, lens, inKit.ring.unit).length > 0 ? inKit.ring.unit : newestUnit(entries, lens);
  if (unit === null) return null;
  const points = ringPoints(entries, lens, unit);
  // A fixed focal length need not have been written down.
  const fixed = inKit && inKit.focalMinMm === inKit.focalMaxMm ? inKit.focalMinMm : null;
  const known = fixed === null ? points : points.map((point) => ({ ...point, focalMm: fixed }));
  const sameUnit = inKit?.ring.unit === unit;
  const span = (sameUnit && spanOf(inKit)) || (RING_UNITS as Record<string, number>)[unit] || RING_UNITS.marks;
  return { unit, model: new RingModel(known, ringPriors(span, sameUnit ? inKit.ring.backlash : null)) };
}

function spanOf({ ring: { from, to } }: KitLens): number | null {
  return from === null || to === null || from === to ? null : Math.abs(to - from);
}

function newestUnit(entries: readonly Entry[], lens: string): string | null {
  const inFocus = entries.filter(
    (entry) => entry.lens === lens && entry.verdict === 'in-focus' && entry.ringPosition !== null,
  );
  return inFocus.toSorted((a, b) => b.timeUtc.localeCompare(a.timeUtc)).at(0)?.ringUnit ?? null;
}
