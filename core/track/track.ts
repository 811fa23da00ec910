import type { Measurement, ReasonCode } from '../measurement.ts';

/**
 * 'none': nothing measured yet. 'gathering': too few frames to say whether the ring is still.
 * 'still' / 'turning': the ring rests / moves. 'lost': nothing measured for LOST_AFTER_MS.
 */
export type TrackState = 'none' | 'gathering' | 'still' | 'turning' | 'lost';

export interface TrackPoint {
  timeMs: number;
  /** In the track's sense of sign and at its present scale. */
  offsetPx: number;
  sigmaPx: number;
  /** False for a frame set aside as wild. */
  used: boolean;
}

/**
 * What the readings so far say together. Offsets are positive along n = (−sin a, cos a) of the
 * track's own angle a = `middleAngleDeg`, which runs on through ±90° where a single frame's angle
 * (and so the sign of its offset) jumps.
 */
export interface Track {
  timeMs: number;
  state: TrackState;
  /** Combined estimate for now, frame pixels; null in states 'none' and 'lost'. */
  offsetPx: number | null;
  /** One standard deviation of `offsetPx`. */
  offsetSigmaPx: number | null;
  ratePxPerS: number | null;
  rateSigmaPxPerS: number | null;
  /** Since when the ring has been still, null unless it is. */
  stillSinceMs: number | null;
  /** Frames that the estimate rests on. */
  frames: number;
  /** Frames a second of late, null until known. */
  framesPerS: number | null;
  /** Continuous direction of the middle line, (−180, 180]. Null before the first measurement, kept when lost. */
  middleAngleDeg: number | null;
  /** +1 when the latest measurement's offset has the track's sign, −1 when its u is the other way round. */
  latestSign: 1 | -1;
  /** Distance of the first order from the star at present, frame pixels: the scale that offsets refer to. */
  spotDistancePx: number | null;
  /** Latest measurement (null before the first). */
  latest: Measurement | null;
  /** Why the newest frame holds no measurement, null when it does. */
  reason: ReasonCode | null;
  /** The last 60 s, oldest first. */
  history: readonly TrackPoint[];
}
