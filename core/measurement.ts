import type { Mask } from './optics/mask.ts';

/** What is known of lens, camera and mask; null where it is not. */
export interface Optics {
  /** Focal length, mm. */
  focalMm: number | null;
  /** f-number N. */
  fNumber: number | null;
  /** Size on the sensor of one frame pixel, µm. */
  pixelUm: number | null;
  mask: Mask | null;
}

/** One of the six first-order spots. `side` +1 lies towards +u of its own line, −1 towards −u. */
export interface Spot {
  pair: 'middle' | 'plus' | 'minus';
  side: 1 | -1;
  xPx: number;
  yPx: number;
  /** Signal-to-noise of the spot's peak against its surroundings. */
  snr: number;
  saturated: boolean;
}

/** A measured pattern. Angles in degrees, lengths in frame pixels unless the name says otherwise. */
export interface Measurement {
  status: 'measured';
  star: { xPx: number; yPx: number; saturated: boolean };
  /** Signed distance from the crossing of the outer lines to the middle line, along n = (−u_y, u_x). */
  offsetPx: number;
  /** One standard deviation of offsetPx. */
  offsetSigmaPx: number;
  /** Direction u of the middle line, in (−90, 90], from +x towards +y. */
  middleAngleDeg: number;
  /** Mean angle between the outer lines and the middle one, and its σ. */
  outerAngleDeg: number;
  outerAngleSigmaDeg: number;
  /** Distance of the first order (at 550 nm) from the star, and its σ for a star of known colour. */
  spotDistancePx: number;
  spotDistanceSigmaPx: number;
  /** offset · N · pixelUm / k: positive with positive offset for k > 0; null when optics are not known. */
  defocusUm: number | null;
  defocusSigmaUm: number | null;
  /** The k used (offset_um = k · dz_um / N), null when no mask is known. */
  k: number | null;
  /** µm on the sensor per frame pixel used, given or derived from the mask's pitch; null when unknown. */
  pixelUm: number | null;
  /** Its σ: 0 when it was given. */
  pixelSigmaUm: number | null;
  /** Median over the six spots of their peak signal-to-noise. */
  snr: number;
  spots: Spot[];
  /** The middle pair overlaps an outer pair: the side is sure, the amount is rough. */
  merged: boolean;
}

/** Why there is no measurement. Words for each are in strings.ts. */
export type ReasonCode =
  | 'no-star'
  | 'too-dim'
  | 'too-bright'
  | 'at-edge'
  | 'pair-missing'
  | 'spikes-only'
  | 'no-spots'
  | 'motion-blur'
  | 'too-far';

export interface NoPattern {
  status: 'no-pattern';
  reason: ReasonCode;
  /** Where the brightest star-like thing is, when there is one. */
  star: { xPx: number; yPx: number } | null;
  /** The spots are too faint for one frame: so many are added up by now, and looked at when there are `ofFrames`. */
  gathering?: { frames: number; ofFrames: number };
}

export type Reading = Measurement | NoPattern;
