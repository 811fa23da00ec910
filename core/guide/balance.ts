import type { Measurement } from '../measurement.ts';
import type { Track } from '../track/track.ts';

/** The two gaps that look equal in focus, frame pixels. */
export interface Balance {
  /** From each middle spot to the outer spot beyond it on the side of +n, mean of both sides of the star; negative once it has gone past. */
  gapAPx: number;
  /** The same on the side of −n. */
  gapBPx: number;
  /** gapA / gapB; null when either gap is closed. */
  ratio: number | null;
  /** (gapB − gapA) / (gapA + gapB): 0 in focus, ±1 where the middle spots meet the outer ones. */
  tilt: number;
}

/**
 * Gaps between the inner spots and the outer ones, measured across the middle line. At the spots' distance L
 * from the star the outer lines, ±θ from the middle one, stand L sin θ to either side of their crossing, and the
 * middle line stands `offset` from it; so gapA = L sin θ − offset and gapB = L sin θ + offset.
 * @returns null while nothing is measured
 */
export function balance(of: Track | Measurement): Balance | null {
  const measured = 'status' in of ? of : of.latest;
  const { offsetPx, spotDistancePx } = of;
  if (!measured || offsetPx === null || spotDistancePx === null) return null;
  const half = spotDistancePx * Math.sin((measured.outerAngleDeg * Math.PI) / 180);
  const [gapAPx, gapBPx] = [half - offsetPx, half + offsetPx];
  return { gapAPx, gapBPx, ratio: gapAPx > 0 && gapBPx > 0 ? gapAPx / gapBPx : null, tilt: offsetPx / half };
}
