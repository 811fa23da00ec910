import { fit, learnNoise } from '../track/fit.ts';
import type { Track, TrackPoint } from '../track/track.ts';
import type { Sight } from './motor.ts';

/** After a move, frames may still show the lens moving: the camera's own delay, ms (common practice, no source). */
const SETTLE_MS = 400;
/** Fewest frames, and the time they must span, to see the lens at rest. */
const FEWEST_FRAMES = 6;
const SPAN_MS = 600;
/** Certainty waited for: bands, and as a part of the distance. */
const WANTED_SIGMA = 0.12;
const WANTED_PART = 0.03;
/** Longest wait for it; and without any pattern, also while frames of faint spots are being added up. */
const PATIENCE_MS = 6000;
const LOST_MS = 5000;
const LOST_ADDING_MS = 30_000;
/** A drift of less than this, bands a second, is no lens on its way. */
const DRIFT = 0.15;
/** Frames are not independent (seeing): their mean is less certain than 1/√n by about this. */
const CORRELATED = 1.7;

/**
 * Where focus stands since the motor came to rest.
 * @param tolerancePx half width of the band, frame pixels
 * @param sinceMs when the latest move ended, on the clock of the frames' times
 * @param nowMs the same clock
 * @returns 'wait' while it takes longer; null when there has been no pattern for long
 */
export function sightSince(track: Track, tolerancePx: number, sinceMs: number, nowMs: number): Sight | null | 'wait' {
  const settledMs = sinceMs + SETTLE_MS;
  const points = pointsSince(track, settledMs, nowMs);
  const newestMs = points.at(-1)?.timeMs ?? sinceMs;
  if (nowMs - newestMs > (track.gatheringS === null ? LOST_MS : LOST_ADDING_MS)) return null;
  if (points.length < FEWEST_FRAMES || newestMs - points[0].timeMs < SPAN_MS) return 'wait';
  // Frames that scatter more than they say are less certain than they say.
  const scale = Math.max(1, learnNoise(points, { scale: 1, longRun: 1 }).scale);
  const noise = { scale, longRun: (CORRELATED * scale) ** 2 };
  const isLate = nowMs - settledMs > PATIENCE_MS;
  const line = fit(points, 1, noise);
  const isMoving = Math.abs(line.rate) > Math.max(3 * Math.sqrt(line.rateVariance), DRIFT * tolerancePx);
  if (isMoving && !isLate) return 'wait';
  const { value, valueVariance } = fit(points, 0, noise);
  const position = value / tolerancePx;
  const sigma = Math.sqrt(valueVariance) / tolerancePx;
  return sigma <= Math.max(WANTED_SIGMA, WANTED_PART * Math.abs(position)) || isLate ? { position, sigma } : 'wait';
}

/** The newest points that show the lens where it is now; few, however old, where points are rare. */
function pointsSince({ history }: Track, settledMs: number, nowMs: number): TrackPoint[] {
  const first = history.findIndex(({ timeMs }) => timeMs > settledMs);
  if (first < 0) return [];
  // A point after a long gap may be a mean of frames from before the move, too.
  const isMean = first > 0 && history[first].timeMs - history[first - 1].timeMs > SETTLE_MS;
  // What the tracker has set aside counts: after a jump that may be all that is new. The fit is robust by itself.
  const settled = history.slice(isMean ? first + 1 : first);
  const newest = settled.filter(({ timeMs }) => timeMs > nowMs - PATIENCE_MS);
  return newest.length >= FEWEST_FRAMES ? newest : settled.slice(-FEWEST_FRAMES);
}
