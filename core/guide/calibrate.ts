/**
 * The calibration turn: the ring is turned a little one way, and what that did to the offset
 * teaches which way is which. Nothing of it is ever assumed.
 */
import { handednessFrom } from '../learn/handedness.ts';
import type { Optics } from '../measurement.ts';
import { type Mask, type OffsetSlope, offsetSlope } from '../optics/mask.ts';
import { type Track, wrap } from '../track/track.ts';

/** Turning sense of the focus ring as seen by someone standing behind the camera, facing the subject. */
export type Direction = 'clockwise' | 'counter-clockwise';

/**
 * What a calibration turn has taught; plain data, kept in the settings. Holds for one lens at one
 * focal length with the mask left as it sat.
 */
export interface Calibration {
  version: 1;
  /** Direction of the middle line that the signs refer to, degrees. */
  middleAngleDeg: number;
  /** Sign of the offset's change (along n of that direction) when the ring turns clockwise. */
  clockwiseSign: 1 | -1;
  /** The turn's change of offset over its σ: how sure the sign is. */
  significance: number;
  /** Change of offset per ring mark in spot distances (free of live view's scale), null when marks were not read. */
  perMark: { spotDistances: number; sigma: number } | null;
  /** See Mask.orientation, for the direction above; null when the user could not say. */
  orientation: 1 | -1 | null;
  /** See Mask.handedness; as given with the mask, else as the turn showed it, null when it did not. */
  handedness: 1 | -1 | null;
  /** Focal length at the time, mm: at another one the marks are not used. */
  focalMm: number | null;
}

/** What the user says of the turn. */
export interface TurnAnswer {
  turned: Direction;
  /** Ring marks as read before and after. */
  marks: { before: number; after: number } | null;
  /** One standard deviation of reading a mark, default MARK_SIGMA. */
  markSigma?: number;
  /** Whether the ring went towards its near marks or towards (and past) ∞; null when not known. */
  towards: 'near' | 'infinity' | null;
}

export type CalibrationRefusal =
  /** No measurement at the start or at the end. */
  | 'no-pattern'
  /** The ring was not at rest at the start or at the end. */
  | 'not-still'
  /** The change cannot be told from noise (LEAST_SIGNIFICANCE) or from the star's drift (LEAST_CHANGE). */
  | 'too-small'
  /** The pattern itself turned: mask or camera was moved. */
  | 'mask-moved'
  /** The two marks read are the same, so they teach nothing. */
  | 'marks-equal';

export type CalibrationResult =
  | { status: 'calibrated'; calibration: Calibration }
  | { status: 'refused'; why: CalibrationRefusal; changePx: number | null; neededPx: number | null };

/** Least change of offset over its σ that a turn must make. */
export const LEAST_SIGNIFICANCE = 5;
/**
 * Least change of offset, spot distances: twenty times what all frames of a resting star have wrong alike, since that
 * changes as the star drifts over the pixels, however many frames the noise was averaged over.
 */
const LEAST_CHANGE = 2e-3;
/** A ring mark is read to about this, marks (common practice, no source). */
export const MARK_SIGMA = 0.1;
const MASK_MOVED_DEG = 6;
/** Beyond this the middle line's direction no longer says which way round the mask sits. */
const MASK_TURNED_DEG = 45;

export interface TurnProgress {
  /** 'turn': turn (further); 'hold': far enough, let it rest; 'ready': the answer can be given. */
  phase: 'turn' | 'hold' | 'ready';
  /** Change of offset so far, frame pixels at the present scale; null without a measurement. */
  changePx: number | null;
  changeSigmaPx: number | null;
}

/** How far a calibration turn has come. @param start the track when the user pressed start, @param now the track now */
export function turnProgress(start: Track, now: Track): TurnProgress {
  const change = changeBetween(start, now);
  if (!change) return { phase: 'turn', changePx: null, changeSigmaPx: null };
  const changePx = change.value * now.spotDistancePx!;
  const changeSigmaPx = change.sigma * now.spotDistancePx!;
  const far = Math.abs(change.value) >= needed(change);
  return { phase: !far ? 'turn' : now.state === 'still' ? 'ready' : 'hold', changePx, changeSigmaPx };
}

/**
 * Learns from a finished turn.
 * @param start the track just before the turn, ring at rest
 * @param end the track after it, ring at rest again
 */
export function calibrate(start: Track, end: Track, answer: TurnAnswer, optics: Optics): CalibrationResult {
  const change = changeBetween(start, end);
  const refuse = (why: CalibrationRefusal): CalibrationResult => ({
    status: 'refused',
    why,
    changePx: change && Math.abs(change.value) * end.spotDistancePx!,
    neededPx: change && needed(change) * end.spotDistancePx!,
  });
  if (!change) return refuse('no-pattern');
  if (start.state !== 'still' || end.state !== 'still') return refuse('not-still');
  const { middleAngleDeg } = end;
  if (lineAngleDeg(start.middleAngleDeg!, middleAngleDeg!) > MASK_MOVED_DEG) return refuse('mask-moved');
  if (Math.abs(change.value) < needed(change)) return refuse('too-small');
  if (answer.marks && answer.marks.before === answer.marks.after) return refuse('marks-equal');

  const changeSign = change.value > 0 ? 1 : -1;
  return {
    status: 'calibrated',
    calibration: {
      version: 1,
      middleAngleDeg: middleAngleDeg!,
      clockwiseSign: answer.turned === 'clockwise' ? changeSign : flip(changeSign),
      significance: Math.abs(change.value) / change.sigma,
      perMark: perMark(change, answer, start, end),
      orientation: orientation(changeSign, answer, optics, end),
      handedness: handedness(start, end, optics),
      focalMm: optics.focalMm,
    },
  };
}

/**
 * +1 when the track's sense of offset is the calibration's, −1 when it is the opposite, null when the mask
 * has been turned too far since to say (more than 45°).
 */
export function alignment(calibration: Calibration, middleAngleDeg: number): 1 | -1 | null {
  const turnedDeg = Math.abs(wrap(middleAngleDeg - calibration.middleAngleDeg));
  if (turnedDeg <= MASK_TURNED_DEG) return 1;
  return turnedDeg >= 180 - MASK_TURNED_DEG ? -1 : null;
}

/** Direction that moves the offset towards zero. @param side sign of the offset in the calibration's sense */
export function directionFrom(calibration: Calibration, side: 1 | -1): Direction {
  return calibration.clockwiseSign === side ? 'counter-clockwise' : 'clockwise';
}

/** Angle between two lines (not directions), 0 to 90°. */
function lineAngleDeg(aDeg: number, bDeg: number): number {
  const between = Math.abs(wrap(aDeg - bDeg));
  return Math.min(between, 180 - between);
}

/** Change of offset in spot distances, in the sense of `end`. */
function changeBetween(start: Track, end: Track): { value: number; sigma: number } | null {
  const [before, after] = [start, end].map(({ offsetPx, offsetSigmaPx, spotDistancePx, middleAngleDeg }) =>
    offsetPx === null || offsetSigmaPx === null || spotDistancePx === null || middleAngleDeg === null
      ? null
      : { value: offsetPx / spotDistancePx, sigma: offsetSigmaPx / spotDistancePx, middleAngleDeg },
  );
  if (!before || !after) return null;
  const same = Math.abs(wrap(before.middleAngleDeg - after.middleAngleDeg)) <= 90 ? 1 : -1;
  return { value: after.value - same * before.value, sigma: Math.hypot(before.sigma, after.sigma) };
}

/** The least change that is a turn, spot distances. */
function needed({ sigma }: { sigma: number }): number {
  return Math.max(LEAST_SIGNIFICANCE * sigma, LEAST_CHANGE);
}

/** Null when marks were not read, too roughly to be of use, or beside a merged pattern whose amount is rough. */
function perMark(
  change: { value: number; sigma: number },
  { marks, markSigma = MARK_SIGMA }: TurnAnswer,
  start: Track,
  end: Track,
): Calibration['perMark'] {
  if (!marks || start.latest?.merged || end.latest?.merged) return null;
  const turned = Math.abs(marks.after - marks.before);
  const relativeSigma = Math.hypot((Math.SQRT2 * markSigma) / turned, change.sigma / change.value);
  if (relativeSigma > 1 / 3) return null;
  const spotDistances = Math.abs(change.value) / turned;
  return { spotDistances, sigma: spotDistances * relativeSigma };
}

/** Turning towards near puts the sensor further behind the star's focus: dz grows, and offset = k dz / N with it. */
function orientation(changeSign: 1 | -1, answer: TurnAnswer, { mask }: Optics, end: Track): 1 | -1 | null {
  const slope = answer.towards && mask && slopeOf({ ...mask, orientation: 1 }, end.latest!.outerAngleDeg);
  if (!slope) return null;
  return slope.k * changeSign * (answer.towards === 'near' ? 1 : -1) > 0 ? 1 : -1;
}

function handedness(start: Track, end: Track, { mask }: Optics): 1 | -1 | null {
  if (!mask || mask.handedness !== null || !start.latest || !end.latest) return mask?.handedness ?? null;
  return handednessFrom(start.latest, end.latest, mask);
}

/** offsetSlope, or null where k = 0: such a mask at this angle tells nothing of defocus, and pixels have to serve. */
export function slopeOf(mask: Mask, outerAngleDeg: number): OffsetSlope | null {
  try {
    return offsetSlope(mask, outerAngleDeg);
  } catch (error) {
    if (error instanceof RangeError) return null;
    throw error;
  }
}

const flip = (sign: 1 | -1): 1 | -1 => (sign === 1 ? -1 : 1);
