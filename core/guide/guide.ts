import type { Measurement, Optics, ReasonCode } from '../measurement.ts';
import { depthOfFocusUm } from '../optics/formulas.ts';
import { FEWEST_FRAMES, type Track } from '../track/track.ts';
import { alignment, type Calibration, type Direction, directionFrom, slopeOf } from './calibrate.ts';

/** Where the ring stands against focus. */
export interface Aim {
  /** Sign of the track's offset; null while it cannot be told from zero. */
  side: 1 | -1 | null;
  /** Side on which the present turn of the ring began, null between turns. */
  cameFrom: 1 | -1 | null;
  offsetPx: number;
  /** The track's, and what all frames have wrong alike. */
  offsetSigmaPx: number;
  /** Distance from focus ≥ 0, µm, null when the optics are not known. */
  distanceUm: number | null;
  distanceSigmaUm: number | null;
  /** Distance from focus ≥ 0 in ring marks, null until learned. */
  distanceMarks: number | null;
  distanceSigmaMarks: number | null;
  /** Focused in front of the star or behind it (past ∞), null when not known. */
  focused: 'in-front' | 'behind' | null;
  /** Half width of the band that counts as in focus. */
  tolerancePx: number;
  /** The same in µm, ±2 λ N²; null when the fallback in pixels is used. */
  toleranceUm: number | null;
  /** Probability that the ring stands inside the band. */
  inFocusProbability: number;
}

/** The one thing to do now. */
export type Instruction =
  /**
   * Nothing to go by; `reason` null while no frame has come. `seconds` until enough frames of faint spots are added up.
   * `back` leads to where the pattern was measured last, which is towards focus where it was lost for being too far.
   */
  | { kind: 'no-pattern'; reason: ReasonCode | null; seconds?: number; back?: Direction }
  /** Leave the ring alone: more frames are needed; `seconds` null when not known. */
  | { kind: 'hold'; aim: Aim; seconds: number | null }
  /** Near focus, but this picture scale cannot prove it in reasonable time. */
  | { kind: 'magnify'; aim: Aim }
  /** How far, without saying which way: not calibrated, or the mask has been turned since. */
  | { kind: 'distance'; aim: Aim; why: 'not-calibrated' | 'mask-turned'; moving: 'closer' | 'away' | null }
  | { kind: 'turn'; aim: Aim; direction: Direction; moving: 'closer' | 'away' | null }
  | { kind: 'slow-down'; aim: Aim; direction: Direction | null }
  | { kind: 'stop'; aim: Aim }
  /** The ring went through focus; `direction` leads back. */
  | { kind: 'passed'; aim: Aim; direction: Direction | null }
  /** In focus and still; `seconds` to go until it counts as steady. */
  | { kind: 'in-focus'; aim: Aim; seconds: number }
  | { kind: 'write-it-down'; aim: Aim; steadySeconds: number };

export interface GuideOptions {
  /** How long the ring must rest in focus before it is written down, s. */
  steadySeconds: number;
  /** Half width of the in-focus band while the optics are not known, frame pixels. */
  fallbackTolerancePx: number;
}

export const DEFAULT_GUIDE_OPTIONS: GuideOptions = { steadySeconds: 3, fallbackTolerancePx: 0.2 };

/**
 * Probability from which the ring counts as in focus, and down to which it goes on counting so. It is looked at with
 * every frame, so it has to be stricter than the 95 % that the whole evening shall have.
 */
const SURE = 0.98;
const STILL_SURE = 0.3;
/** Share of the band inside which the estimate itself must lie to enter it, so that its edge does not flicker. */
const ENTER = 0.9;
/** From seeing "stop" to a hand at rest, screen included, s (common practice, no source). */
const REACTION_S = 0.5;
/** "Slow down" comes when focus is less than this away at the present rate, s. */
const SLOW_DOWN_S = 1.5;
/** Longest that the user is asked to wait for a surer measurement, s. */
const LONGEST_HOLD_S = 15;
/** Relative σ of f-number and pixel size as engraved and stated (common practice, no source). */
const NOMINAL_SIGMA = 0.02;
/**
 * σ of what all frames have wrong alike and no averaging removes, in spot distances: found by measuring the
 * simulator's pictures from −66 to +16 µm at two magnifications against their truth (largest 1.0e-4).
 */
const SHARED_SIGMA = 1e-4;
/** Inside this share of the band waiting helps; outside it a small turn helps more. */
const CENTRAL = 0.8;
const Z_SURE = 2.0537; // one-sided 98 % of the normal distribution

/**
 * Turns a track into the one thing to do now. Pure; `previous` (the last answer) gives the memory that keeps
 * it from flickering and lets it notice that focus was passed.
 * @param optics as for the measurement; where N, pixel size or mask are missing, the band is `fallbackTolerancePx`
 * @param calibration null before the calibration turn: then no direction is ever named
 */
export function guide(
  track: Track,
  optics: Optics,
  calibration: Calibration | null,
  options: Partial<GuideOptions> = {},
  previous: Instruction | null = null,
): Instruction {
  const { steadySeconds, fallbackTolerancePx } = { ...DEFAULT_GUIDE_OPTIONS, ...options };
  const before = previous && previous.kind !== 'no-pattern' ? previous : null;
  const aim = aimOf(track, optics, calibration, fallbackTolerancePx, before);
  if (!aim) {
    const { reason, gatheringS } = track;
    const back = calibration && wayBack(previous);
    return {
      kind: 'no-pattern',
      reason,
      ...(gatheringS !== null && { seconds: gatheringS }),
      ...(back && { back }),
    };
  }
  const aligned = calibration && alignment(calibration, track.middleAngleDeg!);
  const direction =
    calibration && aligned && aim.side ? directionFrom(calibration, (aim.side * aligned) as 1 | -1) : null;
  const was = (kind: Instruction['kind']) => previous?.kind === kind;
  const moving = movement(track, aim);

  const turn = (): Instruction => {
    if (direction) return { kind: 'turn', aim, direction, moving };
    return { kind: 'distance', aim, why: calibration && !aligned ? 'mask-turned' : 'not-calibrated', moving };
  };

  if (track.state === 'gathering') return { kind: 'hold', aim, seconds: slowGathering(track) };

  const passed = aim.side !== null && aim.side === -(aim.cameFrom ?? 0) && aim.inFocusProbability < 0.5;
  if (passed && moving !== 'closer') return { kind: 'passed', aim, direction };
  if (passed) aim.cameFrom = aim.side;

  if (track.state === 'turning') {
    const rate = Math.abs(track.ratePxPerS!);
    const distance = Math.abs(aim.offsetPx);
    const runOn = rate * REACTION_S;
    // The middle of the band is aimed at, so a hand still on its way in is stopped by where it will come to rest.
    const arrived =
      moving === 'closer' && !was('stop') ? distance <= runOn : aim.inFocusProbability > (was('stop') ? 0.3 : 0.5);
    if (aim.side === null || arrived || (was('stop') && distance <= 1.3 * runOn)) return { kind: 'stop', aim };
    if (moving !== 'closer') return turn();
    const near = distance < rate * SLOW_DOWN_S * (was('slow-down') ? 1.4 : 1);
    if (near && runOn > aim.tolerancePx / (was('slow-down') ? 1.4 : 1)) return { kind: 'slow-down', aim, direction };
    return turn();
  }

  const settled = was('in-focus') || was('write-it-down');
  const inside = settled || Math.abs(aim.offsetPx) < ENTER * aim.tolerancePx;
  if (inside && aim.inFocusProbability >= (settled ? STILL_SURE : SURE)) {
    const seconds = steadySeconds - (track.timeMs - track.stillSinceMs!) / 1000;
    return seconds > 0 ? { kind: 'in-focus', aim, seconds } : { kind: 'write-it-down', aim, steadySeconds };
  }
  const central = Math.abs(aim.offsetPx) < aim.tolerancePx * (was('hold') || was('magnify') ? 1 : CENTRAL);
  if (aim.side !== null && !central) return turn();
  // Too uncertain to call: σ falls as 1/√n, so the time that a sure answer takes can be told.
  const neededSigmaPx = Math.max(aim.tolerancePx - Math.abs(aim.offsetPx), aim.tolerancePx / 4) / Z_SURE;
  const soFarS = track.frames / (track.framesPerS ?? track.frames);
  const seconds = soFarS * ((aim.offsetSigmaPx / neededSigmaPx) ** 2 - 1);
  if (seconds > LONGEST_HOLD_S * (was('magnify') ? 0.7 : 1)) return { kind: 'magnify', aim };
  return { kind: 'hold', aim, seconds: Math.max(1, Math.ceil(seconds)) };
}

/** The direction told last, kept while nothing is seen; null when none was. */
function wayBack(previous: Instruction | null): Direction | null {
  if (previous?.kind === 'no-pattern') return previous.back ?? null;
  return (previous && 'direction' in previous && previous.direction) || null;
}

/** Until a track of few frames a second can be judged, s; null when that is at once. */
function slowGathering({ frames, framesPerS }: Track): number | null {
  const seconds = framesPerS && (FEWEST_FRAMES - frames) / framesPerS;
  return seconds && seconds > 2 ? Math.ceil(seconds) : null;
}

/** Whether the offset shrinks or grows, null when that cannot be told. */
function movement(track: Track, aim: Aim): 'closer' | 'away' | null {
  const { ratePxPerS: rate, rateSigmaPxPerS: sigma } = track;
  if (track.state !== 'turning' || aim.side === null || rate === null || sigma === null) return null;
  if (Math.abs(rate) < 3 * sigma) return null;
  return rate * aim.side < 0 ? 'closer' : 'away';
}

function aimOf(
  track: Track,
  optics: Optics,
  calibration: Calibration | null,
  fallbackTolerancePx: number,
  before: Exclude<Instruction, { kind: 'no-pattern' }> | null,
): Aim | null {
  const { offsetPx, latest, spotDistancePx } = track;
  if (offsetPx === null || track.offsetSigmaPx === null || spotDistancePx === null || !latest) return null;
  const offsetSigmaPx = Math.hypot(track.offsetSigmaPx, SHARED_SIGMA * spotDistancePx);
  const scale = scaleOf(latest, spotDistancePx, optics);
  // The side counts as known beyond 2 σ, and stays known down to 1 σ.
  const sign = offsetPx < 0 ? -1 : 1;
  const known = Math.abs(offsetPx) > (before?.aim.side === sign ? 1 : 2) * offsetSigmaPx;
  const side = known ? sign : null;
  const began =
    before && !['in-focus', 'write-it-down', 'hold', 'magnify'].includes(before.kind) ? before.aim.cameFrom : null;
  const cameFrom = track.state === 'turning' ? (began ?? side) : began === -sign ? began : null;

  const toleranceUm = scale && depthOfFocusUm(optics.fNumber!);
  const tolerancePx = scale ? toleranceUm! / scale.umPerPx : fallbackTolerancePx;
  const slopeSigmaPx = Math.abs(offsetPx) * (scale?.relativeSigma ?? 0);
  const sigmaPx = Math.hypot(offsetSigmaPx, slopeSigmaPx);
  const inFocusProbability =
    normalCdf((tolerancePx - offsetPx) / sigmaPx) - normalCdf((-tolerancePx - offsetPx) / sigmaPx);

  const aligned = calibration && alignment(calibration, track.middleAngleDeg!);
  const marks = aligned && calibration.focalMm === optics.focalMm ? calibration.perMark : null;
  const distanceMarks = marks && Math.abs(offsetPx) / spotDistancePx / marks.spotDistances;
  return {
    side,
    cameFrom,
    offsetPx,
    offsetSigmaPx,
    distanceUm: scale && Math.abs(offsetPx) * scale.umPerPx,
    distanceSigmaUm: scale && sigmaPx * scale.umPerPx,
    distanceMarks,
    distanceSigmaMarks:
      marks && Math.hypot(offsetSigmaPx / spotDistancePx, distanceMarks! * marks.sigma) / marks.spotDistances,
    focused: focusedOn(track, optics, calibration, side),
    tolerancePx,
    toleranceUm,
    inFocusProbability,
  };
}

/** µm of defocus per pixel of the track's offset, N · pixelUm / |k|, and its relative σ; null when the optics are not known. */
function scaleOf(
  latest: Measurement,
  spotDistancePx: number,
  optics: Optics,
): { umPerPx: number; relativeSigma: number } | null {
  const latestPixelUm = latest.pixelUm ?? optics.pixelUm;
  // Just after live view was magnified the track is still at the old scale: on the sensor the spots stay where they are.
  const pixelUm = latestPixelUm && latestPixelUm * (latest.spotDistancePx / spotDistancePx);
  const slope = optics.mask && slopeOf(optics.mask, latest.outerAngleDeg);
  if (!slope || optics.fNumber === null || pixelUm === null) return null;
  const k = Math.abs(slope.k);
  return { umPerPx: (optics.fNumber * pixelUm) / k, relativeSigma: Math.hypot(slope.kSigma / k, NOMINAL_SIGMA) };
}

/** dz > 0, the sensor behind the star's focus, is a lens focused in front of the star. */
function focusedOn(track: Track, optics: Optics, calibration: Calibration | null, side: 1 | -1 | null): Aim['focused'] {
  if (!optics.mask || side === null) return null;
  const slope = slopeOf({ ...optics.mask, orientation: 1 }, track.latest!.outerAngleDeg);
  const aligned = calibration && alignment(calibration, track.middleAngleDeg!);
  const learned = aligned && calibration.orientation && aligned * calibration.orientation;
  const given = calibration ? null : optics.mask.orientation && track.latestSign * optics.mask.orientation;
  const orientation = learned ?? given;
  if (!slope || orientation === null) return null;
  return slope.k * orientation * side > 0 ? 'in-front' : 'behind';
}

/** Normal distribution function; |error| < 7.5e-8 (Abramowitz & Stegun 26.2.17). */
export function normalCdf(z: number): number {
  const t = 1 / (1 + 0.2316419 * Math.abs(z));
  const tail =
    (Math.exp((-z * z) / 2) / Math.sqrt(2 * Math.PI)) *
    t *
    (0.31938153 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))));
  return z > 0 ? 1 - tail : tail;
}
