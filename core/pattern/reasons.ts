import type { PixelImage } from '../frame.ts';
import type { ReasonCode } from '../measurement.ts';
import type { Candidate } from './candidates.ts';
import type { Level } from './pyramid.ts';
import { polarMap } from './rough.ts';

/**
 * The reason to give when no pattern was found, from what the brightest thing in the frame looks like.
 * @param doubt what spoke against the best fit, when there was one
 */
export function reasonWithout(
  image: PixelImage,
  levels: Level[],
  candidates: Candidate[],
  doubt: ReasonCode | null,
): ReasonCode {
  const star = candidates[0];
  if (!star) return 'no-star';
  if (star.peak < 12 * levels[0].noise && star.peak < 0.05) return 'too-dim';
  if (star.radiusPx > 0.12 * image.heightPx) return 'too-bright';
  if (star.elongation > 2.2) return 'motion-blur';
  if (doubt === 'too-far' || doubt === 'pair-missing') return doubt;
  if (spikeCount(levels, star) >= 2) return 'spikes-only';
  const edgePx = Math.min(star.xPx, star.yPx, image.widthPx - 1 - star.xPx, image.heightPx - 1 - star.yPx);
  if (edgePx < Math.max(12, 5 * star.radiusPx)) return 'at-edge';
  if (star.peak < 40 * levels[0].noise && star.peak < 0.3) return 'too-dim';
  return 'no-spots';
}

/** Number of directions in which light runs outwards without a gap. */
function spikeCount(levels: Level[], star: Candidate): number {
  const map = polarMap(levels, star.xPx, star.yPx, Math.max(40, 8 * star.radiusPx));
  const from = Math.ceil(
    Math.log((2 * star.radiusPx + 4) / map.radiusPx(0)) / Math.log(map.radiusPx(1) / map.radiusPx(0)),
  );
  if (from >= map.rows - 4) return 0;
  const columns = map.data.length / map.rows;
  const weakest = new Float32Array(columns);
  for (let column = 0; column < columns; column++) {
    let least = Infinity;
    for (let row = Math.max(0, from); row < Math.min(map.rows, from + 12); row++) {
      let around = -Infinity;
      for (let d = -2; d <= 2; d++)
        around = Math.max(around, map.data[row * columns + ((column + d + columns) % columns)]);
      least = Math.min(least, around);
    }
    weakest[column] = least;
  }
  let spikes = 0;
  let inside = false;
  const limit = 3 * levels[0].noise;
  for (let column = 0; column < columns; column++) {
    const above = weakest[column] > limit;
    if (above && !inside) spikes++;
    inside = above;
  }
  return spikes;
}
