/** Turning sense of the focus ring as seen by someone standing behind the camera, facing the subject. */
export type Direction = 'clockwise' | 'counter-clockwise';

/**
 * What a calibration turn has taught; plain data, kept in the settings. Holds for one lens at one
 * focal length with the mask left as it sat.
 */
export interface Calibration {
  version: 1;
  /** Direction of the middle line that the sign refers to, degrees. */
  middleAngleDeg: number;
  /** Sign of the offset's change (along n of that direction) when the ring turns clockwise. */
  clockwiseSign: 1 | -1;
  /** The turn's change of offset over its σ: how sure the sign is. */
  significance: number;
  /** Change of offset per ring mark in spot distances (free of live view's scale), null when marks were not read. */
  perMark: { spotDistances: number; sigma: number } | null;
  /** See Mask.orientation, for the direction above; null when the user could not say. */
  orientation: 1 | -1 | null;
  /** See Mask.handedness; null when it could not be told. */
  handedness: 1 | -1 | null;
  /** Focal length at the time, mm: at another one the marks are not used. */
  focalMm: number | null;
}

/** What the user says of the turn. */
export interface TurnAnswer {
  turned: Direction;
  /** Ring marks as read before and after. */
  marks: { before: number; after: number } | null;
  /** One standard deviation of reading a mark. */
  markSigma?: number;
  /** Whether the ring went towards its near marks or towards (and past) ∞; null when not known. */
  towards: 'near' | 'infinity' | null;
}

export type CalibrationRefusal = 'no-pattern' | 'not-still' | 'too-small' | 'mask-moved' | 'marks-equal';

export type CalibrationResult =
  | { status: 'calibrated'; calibration: Calibration }
  | { status: 'refused'; why: CalibrationRefusal; changePx: number | null; neededPx: number | null };
