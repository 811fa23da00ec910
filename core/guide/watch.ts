/**
 * After focus was found: what has changed since, and whether it asks for focusing again. Each reason is
 * raised once; it stands until focus is confirmed anew or it is set aside.
 */
import type { Estimate } from '../notebook/ring.ts';
import type { Track } from '../track/track.ts';

/** Lens, air and picture at one time; null where not known. */
export interface Circumstances {
  timeMs: number;
  focalMm: number | null;
  temperatureC: number | null;
  /** Shift of focus per °C, and the depth of focus that it may use up, µm. */
  thermal: ThermalShift | null;
  toleranceUm: number | null;
  /** The live picture's scale. */
  magnification: number | null;
  pixelUm: number | null;
  track: Pick<Track, 'state' | 'offsetPx' | 'offsetSigmaPx' | 'spotDistancePx'> | null;
  /** Half width of the in-focus band, frame pixels. */
  tolerancePx: number | null;
}

export interface ThermalShift {
  umPerC: number;
  /** From the notebook; otherwise THERMAL_SHARE. */
  learned: boolean;
}

export type RefocusReason =
  /** The focal length as told (by settings, camera or a picture's EXIF), or null and the pattern's own scale. */
  | { kind: 'zoom'; fromMm: number | null; toMm: number | null; scale: number | null }
  | { kind: 'temperature'; changeC: number; shiftUm: number; toleranceUm: number; learned: boolean }
  /** The offset jumped while nobody turned the ring. */
  | { kind: 'knock' }
  /** The offset crept out of the band. */
  | { kind: 'drift' }
  | { kind: 'time'; minutes: number };

/** Focal lengths that differ by less are the same setting as cameras round them. */
const SAME_FOCAL = 0.02;
/** The pattern's scale is measured to better than this. */
const SAME_SCALE = 0.03;
/** Standard deviations by which the offset must have changed. */
const SURE = 4;
/** A jump is over within this; a hand on the ring takes longer. */
const JUMP_MS = 2500;
/** Focus is looked at again after so long, whatever else (common practice, no source). */
const LONGEST_MS = 60 * 60_000;
/**
 * Shift of focus per °C as a share of the focal length while the notebook has not taught it: aluminium's
 * expansion 2.3e-5 per °C (from memory) and glass of the same order (no source for the sum).
 */
export const THERMAL_SHARE = 4e-5;

/**
 * Shift of focus per °C, µm.
 * @param perDegree of the ring, in its units, as the notebook has it; used with `umPerUnit` only
 * @param umPerUnit defocus per ring unit, as the calibration turn has it
 */
export function thermalShift(
  focalMm: number | null,
  perDegree: Estimate | null,
  umPerUnit: number | null,
): ThermalShift | null {
  // What is uncertain counts as if it were there.
  if (perDegree && umPerUnit)
    return { umPerC: umPerUnit * Math.hypot(perDegree.value, perDegree.sigma), learned: true };
  return focalMm === null ? null : { umPerC: 1000 * focalMm * THERMAL_SHARE, learned: false };
}

export class RefocusWatch {
  #then: Circumstances | null = null;
  #reason: RefocusReason | null = null;
  /** Offset at focus, in spot distances; when the ring last rested there, and whether it moved since. */
  #rest: { offset: number; thereMs: number; moved: boolean } | null = null;

  /** Focus was found and written down. */
  confirm(now: Circumstances): void {
    this.#then = now;
    this.#reason = null;
    this.#rest = restOf(now);
  }

  /** Nothing is watched until focus is confirmed again. */
  end(): void {
    this.#then = null;
    this.#reason = null;
  }

  /** How it was when focus was confirmed, null when nothing is watched. */
  get since(): Circumstances | null {
    return this.#then;
  }

  get reason(): RefocusReason | null {
    return this.#reason;
  }

  /** Takes a look; the first reason found stands. */
  look(now: Circumstances): RefocusReason | null {
    if (!this.#then || this.#reason) return this.#reason;
    this.#reason = zoomed(this.#then, now) ?? warmed(this.#then, now) ?? elapsed(this.#then, now) ?? this.#moved(now);
    return this.#reason;
  }

  /** Sets the reason aside: what it tells of counts as usual from now on. */
  dismiss(now: Circumstances): void {
    const kind = this.#reason?.kind;
    this.#reason = null;
    if (!this.#then || !kind) return;
    if (kind === 'time') this.#then = { ...this.#then, timeMs: now.timeMs };
    else if (kind === 'temperature') this.#then = { ...this.#then, temperatureC: now.temperatureC };
    else this.#then = { ...now, timeMs: this.#then.timeMs, temperatureC: this.#then.temperatureC };
    this.#rest = restOf(now);
  }

  #moved(now: Circumstances): RefocusReason | null {
    const rest = restOf(now);
    if (!rest || now.tolerancePx === null) {
      if (this.#rest) this.#rest.moved = true;
      return null;
    }
    this.#rest ??= rest;
    const { offsetSigmaPx, spotDistancePx } = now.track!;
    const changePx = Math.abs(rest.offset - this.#rest.offset) * spotDistancePx!;
    if (changePx < Math.max(now.tolerancePx, SURE * offsetSigmaPx!)) {
      this.#rest.thereMs = now.timeMs;
      this.#rest.moved = false;
      return null;
    }
    if (!this.#rest.moved) return { kind: 'drift' };
    if (now.timeMs - this.#rest.thereMs <= JUMP_MS) return { kind: 'knock' };
    // Somebody turned the ring, or it was not seen for a while: what was confirmed holds no longer.
    this.end();
    return null;
  }
}

function zoomed(then: Circumstances, now: Circumstances): RefocusReason | null {
  const [fromMm, toMm] = [then.focalMm, now.focalMm];
  if (fromMm !== null && toMm !== null && Math.abs(toMm / fromMm - 1) > SAME_FOCAL)
    return { kind: 'zoom', fromMm, toMm, scale: null };
  // At one scale of live view the spots stand at λ f / p from the star.
  const [before, after] = [then, now].map(({ track }) => track?.spotDistancePx ?? null);
  const sameView = then.magnification === now.magnification && then.pixelUm === now.pixelUm;
  if (before === null || after === null || !sameView || now.track?.state !== 'still') return null;
  const scale = after / before;
  return Math.abs(scale - 1) > SAME_SCALE ? { kind: 'zoom', fromMm, toMm: null, scale } : null;
}

function warmed(then: Circumstances, now: Circumstances): RefocusReason | null {
  const { thermal, toleranceUm } = now;
  if (then.temperatureC === null || now.temperatureC === null || !thermal || toleranceUm === null) return null;
  const changeC = now.temperatureC - then.temperatureC;
  const shiftUm = Math.abs(changeC) * thermal.umPerC;
  return shiftUm > toleranceUm
    ? { kind: 'temperature', changeC, shiftUm, toleranceUm, learned: thermal.learned }
    : null;
}

function elapsed(then: Circumstances, now: Circumstances): RefocusReason | null {
  const elapsedMs = now.timeMs - then.timeMs;
  return elapsedMs > LONGEST_MS ? { kind: 'time', minutes: Math.round(elapsedMs / 60_000) } : null;
}

/** Where the ring rests, in spot distances, which live view's magnification leaves alone. */
function restOf({ track, timeMs }: Circumstances): { offset: number; thereMs: number; moved: boolean } | null {
  if (track?.state !== 'still' || track.offsetPx === null || track.spotDistancePx === null) return null;
  return { offset: track.offsetPx / track.spotDistancePx, thereMs: timeMs, moved: false };
}
