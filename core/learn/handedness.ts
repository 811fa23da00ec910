/**
 * Which way round the outer gratings sit, from how their pairs move when the ring turns. Defocus moves each
 * zone's pair by its own zone's centroid, so between two places of the ring the outer pairs part along u or n
 * by a share of the offset's change that depends on the handedness alone: turning the mask by 180° changes
 * the sign of both.
 */
import type { Measurement } from '../measurement.ts';
import { cachedCentroids, type Mask, offsetOfShifts, type Zone } from '../optics/mask.ts';

/** The one must be this many times nearer than the other to be told. */
const CLEARLY = 3;

/**
 * @param before, after measurements at two places of the ring, the further apart the better
 * @returns null where the two places lie too near each other to tell, or the layout makes no difference (strips along u)
 */
export function handednessFrom(before: Measurement, after: Measurement, mask: Mask): 1 | -1 | null {
  if (mask.layout === 'strips-u') return null;
  const [a, b] = [before, after].map(spread);
  if (!a || !b || before.merged || after.merged) return null;
  // In spot distances, so that live view may have been magnified between.
  const moved = { x: b.outer.x - a.outer.x, y: b.outer.y - a.outer.y };
  const offset = b.offset - (a.u.x * b.u.x + a.u.y * b.u.y < 0 ? -1 : 1) * a.offset;
  if (offset === 0) return null;
  const measured = {
    u: (moved.x * b.u.x + moved.y * b.u.y) / offset,
    n: (-moved.x * b.u.y + moved.y * b.u.x) / offset,
  };
  const [right, left] = ([1, -1] as const).map((handedness) => {
    const centroids = cachedCentroids({ ...mask, handedness });
    const k = offsetOfShifts(centroids, after.outerAngleDeg);
    const part = (axis: 'u' | 'n') => (centroids.plus[axis] - centroids.minus[axis]) / k - measured[axis];
    return Math.hypot(part('u'), part('n'));
  });
  if (left > CLEARLY * right) return 1;
  return right > CLEARLY * left ? -1 : null;
}

/** Where the plus pair's middle stands from the minus pair's, and the offset, in spot distances; null without all spots. */
function spread({ spots, spotDistancePx, offsetPx, middleAngleDeg }: Measurement) {
  const middleOf = (pair: Zone) => {
    const ends = spots.filter((spot) => spot.pair === pair);
    return ends.length === 2 ? { x: (ends[0].xPx + ends[1].xPx) / 2, y: (ends[0].yPx + ends[1].yPx) / 2 } : null;
  };
  const [plus, minus] = [middleOf('plus'), middleOf('minus')];
  if (!plus || !minus) return null;
  const angle = (middleAngleDeg * Math.PI) / 180;
  return {
    outer: { x: (plus.x - minus.x) / spotDistancePx, y: (plus.y - minus.y) / spotDistancePx },
    offset: offsetPx / spotDistancePx,
    u: { x: Math.cos(angle), y: Math.sin(angle) },
  };
}
