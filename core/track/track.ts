import type { Measurement, Reading, ReasonCode } from '../measurement.ts';
import { fit, learnNoise, median, type Noise, WILD } from './fit.ts';

/**
 * 'none': nothing measured yet. 'gathering': too few frames to say whether the ring is still.
 * 'still' / 'turning': the ring rests / moves. 'lost': nothing new measured for LOST_AFTER_MS.
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
  /** One standard deviation of `offsetPx`, of what differs from frame to frame. */
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
  /** The spots are faint: time until enough frames are added up to look at them again, s; null when one frame does. */
  gatheringS: number | null;
  /** The last 60 s, oldest first: the tracker's own list, which goes on changing. */
  history: readonly TrackPoint[];
}

/** After this long without a new measurement the track is lost and begins anew, ms. */
export const LOST_AFTER_MS = 2000;
/** The same while frames of faint spots are being added up, ms. */
const LOST_AFTER_GATHERING_MS = 20_000;
const HISTORY_MS = 60_000;
const EVEN_TURN_MS = 600;
const LONGEST_FIT_MS = 30_000;
/** Shortest time over which a ring is called still, and the first time, before the noise is known. */
const STILL_AFTER_MS = 700;
const GATHER_MS = 1500;
const LEARN_OVER_MS = 10_000;
const LEARN_AFTER_MS = 1000;
const LEARN_EVERY_MS = 250;
const FORGET_MS = 20_000;
const LEARN_FRAMES = 16;
const LEARN_FIT = 3.5;
/** Weight of "as stated and white" against what is learned. */
const PRIOR_FRAMES = 12;
export const FEWEST_FRAMES = 8;
/** Frames that tell how noisy one is. */
const NEWEST = 100;
/** |z| at which the newest frames have left the fit: at rest, in a turn; and how well a shortened run must fit. */
const BREAK_AT_REST = 4.5;
const BREAK_IN_TURN = 3;
const GOOD_FIT = 2;
/** Median of the fit's |z| for a line that is right. */
const USUAL_FIT = 1.2;
/** Spot distance and angle that tell a wrong or a different pattern from the one being tracked. */
const SAME_SCALE = 1.12;
const SAME_ANGLE_DEG = 6;
/** So many frames in a row that agree with each other are a new scale or a turned mask, not wild ones. */
const CONFIRM_FRAMES = 3;

const NO_ESTIMATE = { offsetPx: null, offsetSigmaPx: null, ratePxPerS: null, rateSigmaPxPerS: null };

interface Sighting {
  point: TrackPoint;
  angleDeg: number;
  spotDistancePx: number;
}

/**
 * Joins readings over time.
 *
 * Method: the longest run of frames ending now that one straight line describes, fitted robustly; where
 * its slope cannot be told from zero, the mean of the run. When the newest frames leave the line, the
 * oldest are dropped until it fits again. So σ falls as 1/√n while the ring rests and opens by itself when it
 * turns; there is no process noise to tune, as a Kalman filter would have. The noise (its true size and its
 * correlation from frame to frame) is learned from the frames and carried from run to run.
 */
export class Tracker {
  #history: TrackPoint[] = [];
  /** The run of frames that the fit rests on. */
  #run: TrackPoint[] = [];
  /** All frames of this pattern within LEARN_OVER_MS, across runs. */
  #stretch: TrackPoint[] = [];
  /** Frames of the newest sightings used, for scale and direction. */
  #recent: Sighting[] = [];
  /** Sightings of a different scale or angle, waiting to be confirmed. */
  #pending: Sighting[] = [];
  #angleDeg: number | null = null;
  #spotDistancePx: number | null = null;
  #noise: Noise = { scale: 1, longRun: 1 };
  /** Frames that the noise was learned from, fading with age. */
  #noiseFrames = 0;
  #learnedMs = Number.NEGATIVE_INFINITY;
  #measuredMs: number | null = null;
  #timeMs = 0;
  #reason: ReasonCode | null = null;
  #intervalMs = 0;
  #gatheringS: number | null = null;
  /** The newest measurement stands for a batch of faint frames. */
  #inBatches = false;
  #state: TrackState = 'none';
  #stillSinceMs: number | null = null;
  #lackOfFit = 0;
  #estimate: Pick<Track, 'offsetPx' | 'offsetSigmaPx' | 'ratePxPerS' | 'rateSigmaPxPerS'> = NO_ESTIMATE;
  #latest: Measurement | null = null;
  #latestSign: 1 | -1 = 1;

  /**
   * Takes the reading of the next frame.
   * @param timeMs when the frame was taken, ms on any steady clock; going back starts anew
   */
  push(timeMs: number, reading: Reading): Track {
    const last = this.#history.at(-1)?.timeMs ?? timeMs;
    if (timeMs < last) {
      this.#history = [];
      this.#restart([]);
      this.#state = 'none';
      this.#measuredMs = null;
    }
    const gathering = reading.status === 'no-pattern' ? reading.gathering : undefined;
    // Only between batches is a pause usual: spots that were seen in each frame and are gone now are lost.
    if (reading.status === 'measured') this.#inBatches = this.#gatheringS !== null;
    const lostAfterMs = gathering && this.#inBatches ? LOST_AFTER_GATHERING_MS : LOST_AFTER_MS;
    if (this.#measuredMs !== null && timeMs - this.#measuredMs > lostAfterMs) {
      this.#restart([]);
      this.#state = 'lost';
    }
    if (reading.status === 'measured' && !sameAs(reading, this.#latest)) this.#measure(timeMs, reading);
    dropBefore(this.#history, timeMs - HISTORY_MS);
    const intervalMs = Math.max(0, timeMs - this.#timeMs);
    this.#intervalMs =
      this.#timeMs === 0 ? 0 : this.#intervalMs === 0 ? intervalMs : 0.9 * this.#intervalMs + 0.1 * intervalMs;
    this.#gatheringS = gathering ? ((gathering.ofFrames - gathering.frames) * this.#intervalMs) / 1000 : null;
    this.#timeMs = timeMs;
    this.#reason = reading.status === 'measured' ? null : reading.reason;
    return this.track;
  }

  #measure(timeMs: number, m: Measurement): void {
    this.#measuredMs = timeMs;
    if (this.#state === 'none' || this.#state === 'lost') this.#state = 'gathering';
    const sighting = this.#orient(timeMs, m);
    this.#history.push(sighting.point);
    if (!this.#accept(sighting)) return;
    this.#recent.push(sighting);
    if (this.#recent.length > 15) this.#recent.shift();
    this.#angleDeg = wrap(median(this.#recent.map((s) => sighting.angleDeg + wrap(s.angleDeg - sighting.angleDeg))));
    this.#spotDistancePx = median(this.#recent.map((s) => s.spotDistancePx));
    this.#run.push(sighting.point);
    this.#stretch.push(sighting.point);
    dropBefore(this.#run, timeMs - LONGEST_FIT_MS);
    dropBefore(this.#stretch, timeMs - LEARN_OVER_MS);
    this.#learn(timeMs);
    this.#settle(timeMs);
  }

  /** Turns u by 180° where needed so that it runs on from the frames before; the offset's sign goes with it. */
  #orient(timeMs: number, m: Measurement): Sighting {
    const turned = Math.abs(wrap(m.middleAngleDeg - (this.#angleDeg ?? m.middleAngleDeg))) > 90;
    this.#latest = m;
    this.#latestSign = turned ? -1 : 1;
    const point = { timeMs, offsetPx: this.#latestSign * m.offsetPx, sigmaPx: m.offsetSigmaPx, used: true };
    return { point, angleDeg: wrap(m.middleAngleDeg + (turned ? 180 : 0)), spotDistancePx: m.spotDistancePx };
  }

  /** False for a frame whose pattern is not the one tracked; restarts when several agree on a new one. */
  #accept(sighting: Sighting): boolean {
    if (this.#angleDeg === null || this.#spotDistancePx === null) return true;
    if (alike(sighting, { angleDeg: this.#angleDeg, spotDistancePx: this.#spotDistancePx })) {
      this.#pending = [];
      return true;
    }
    sighting.point.used = false;
    this.#pending = this.#pending.filter((s) => alike(s, sighting));
    this.#pending.push(sighting);
    if (this.#recent.length > 0 && this.#pending.length < CONFIRM_FRAMES) return false;
    // Live view magnified, or the mask turned: what was known carries over at the new scale.
    const sightings = this.#pending;
    const ratio = median(sightings.map((s) => s.spotDistancePx)) / this.#spotDistancePx;
    for (const point of this.#history) {
      if (sightings.some((s) => s.point === point)) continue;
      point.offsetPx *= ratio;
      point.sigmaPx *= ratio;
    }
    for (const s of sightings) s.point.used = true;
    this.#restart(sightings.slice(0, -1));
    return true;
  }

  #restart(sightings: Sighting[]): void {
    this.#recent = [...sightings];
    this.#run = sightings.map((s) => s.point);
    this.#stretch = [...this.#run];
    this.#pending = [];
    if (this.#state !== 'none') this.#state = 'gathering';
    this.#stillSinceMs = null;
    this.#estimate = NO_ESTIMATE;
  }

  /** Learns the noise from the present run; from all frames in which nothing moved when that has not been possible lately. */
  #learn(timeMs: number): void {
    const elapsedMs = timeMs - this.#learnedMs;
    if (elapsedMs < LEARN_EVERY_MS) return;
    this.#learnedMs = timeMs;
    if (Number.isFinite(elapsedMs)) this.#noiseFrames *= Math.exp(-elapsedMs / FORGET_MS);
    const known = this.#noiseFrames >= LEARN_FRAMES;
    if (known && (this.#state !== 'still' || this.#lackOfFit > LEARN_FIT)) return;
    // The newest second may hold the beginning of a turn, not yet seen as one: it must not pass for noise.
    const points = known
      ? this.#run.filter((p) => p.timeMs > timeMs - LEARN_OVER_MS && p.timeMs < timeMs - LEARN_AFTER_MS)
      : this.#stretch;
    const spanMs = timeMs - (points[0]?.timeMs ?? timeMs);
    if (points.length < Math.max(LEARN_FRAMES, this.#noiseFrames) || spanMs < GATHER_MS) return;
    const learned = learnNoise(points, this.#noise);
    if (!known && !learned.stationary) return;
    const blend = (value: number) => (PRIOR_FRAMES + points.length * value) / (PRIOR_FRAMES + points.length);
    this.#noise = { scale: Math.sqrt(blend(learned.scale ** 2)), longRun: blend(learned.longRun) };
    this.#noiseFrames = points.length;
  }

  /** Fits the run, cuts it where the newest frames have left it, and decides whether the ring moves. */
  #settle(timeMs: number): void {
    if (this.#run.length < FEWEST_FRAMES) {
      const { value, valueVariance } = fit(this.#run, 0, this.#noise);
      this.#estimate = { ...NO_ESTIMATE, offsetPx: value, offsetSigmaPx: Math.sqrt(valueVariance) };
      return;
    }
    let line = fit(this.#run, 1, this.#noise);
    if (line.lackOfFit > (this.#state === 'turning' ? BREAK_IN_TURN : BREAK_AT_REST)) {
      while (line.lackOfFit > GOOD_FIT && this.#run.length > FEWEST_FRAMES) {
        this.#run = this.#run.slice(-Math.max(FEWEST_FRAMES, Math.floor(this.#run.length * 0.7)));
        line = fit(this.#run, 1, this.#noise);
      }
    }
    this.#lackOfFit = line.lackOfFit;
    this.#run.forEach((point, i) => {
      point.used = Math.abs(line.residuals[i]) < WILD * this.#noise.scale;
    });

    const spanMs = timeMs - this.#run[0].timeMs;
    const slopeZ = Math.abs(line.rate) / Math.sqrt(line.rateVariance);
    const frameSigmaPx = this.#noise.scale * median(this.#run.slice(-NEWEST).map((p) => p.sigmaPx));
    // A creep of less than half a frame's noise in a second (cooling lens) is followed but is no turn of the ring.
    const creeping = Math.abs(line.rate) < frameSigmaPx / 2;
    const moving = !creeping && slopeZ > (this.#state === 'turning' ? 2.5 : 4);
    const judgeAfterMs = this.#state === 'gathering' && this.#noiseFrames < LEARN_FRAMES ? GATHER_MS : STILL_AFTER_MS;
    if (spanMs >= judgeAfterMs) this.#state = moving ? 'turning' : 'still';
    else if (this.#state === 'still') this.#state = 'turning';
    if (this.#state !== 'still') this.#stillSinceMs = null;
    else this.#stillSinceMs ??= this.#run[0].timeMs;

    // A hand does not turn evenly for long: where the ring moves, only the newest frames tell where it is.
    let now = line;
    if (this.#state === 'turning') {
      const evenFrames = this.#run.filter((p) => p.timeMs > timeMs - EVEN_TURN_MS).length;
      now = fit(this.#run.slice(-Math.max(FEWEST_FRAMES, evenFrames)), 1, this.#noise);
    } else if (slopeZ < 3) now = fit(this.#run, 0, this.#noise);
    // What a straight line misses of an uneven turn goes into the σ.
    const misfit = this.#state === 'turning' ? Math.max(1, now.lackOfFit / USUAL_FIT) : 1;
    this.#estimate = {
      offsetPx: now.value,
      offsetSigmaPx: misfit * Math.sqrt(now.valueVariance),
      ratePxPerS: now.rate,
      rateSigmaPxPerS: misfit * Math.sqrt(now.rateVariance),
    };
  }

  /** The track as it stands; state 'none' before the first push. */
  get track(): Track {
    const times = this.#stretch.slice(-30).map((p) => p.timeMs);
    const spanS = times.length > 1 ? (times[times.length - 1] - times[0]) / 1000 : 0;
    return {
      timeMs: this.#timeMs,
      state: this.#state,
      ...this.#estimate,
      stillSinceMs: this.#stillSinceMs,
      frames: this.#run.length,
      framesPerS: spanS > 0 ? (times.length - 1) / spanS : null,
      middleAngleDeg: this.#angleDeg,
      latestSign: this.#latestSign,
      spotDistancePx: this.#spotDistancePx,
      latest: this.#latest,
      reason: this.#reason,
      gatheringS: this.#gatheringS,
      history: this.#history,
    };
  }
}

/** The same picture delivered twice: it says nothing new, and a frozen live view is no ring at rest. */
function sameAs(a: Measurement, b: Measurement | null): boolean {
  return a.offsetPx === b?.offsetPx && a.star.xPx === b.star.xPx && a.star.yPx === b.star.yPx;
}

/** Angle brought into (−180, 180]. */
export function wrap(angleDeg: number): number {
  return 180 - ((((180 - angleDeg) % 360) + 360) % 360);
}

function alike(a: Omit<Sighting, 'point'>, b: Omit<Sighting, 'point'>): boolean {
  const ratio = a.spotDistancePx / b.spotDistancePx;
  return ratio < SAME_SCALE && ratio > 1 / SAME_SCALE && Math.abs(wrap(a.angleDeg - b.angleDeg)) < SAME_ANGLE_DEG;
}

function dropBefore(points: TrackPoint[], timeMs: number): void {
  let stale = 0;
  while (stale < points.length && points[stale].timeMs < timeMs) stale++;
  points.splice(0, stale);
}
