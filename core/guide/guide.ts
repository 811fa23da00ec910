import type { ReasonCode } from '../measurement.ts';
import type { Direction } from './calibrate.ts';

/** Where the ring stands against focus. */
export interface Aim {
  /** Sign of the track's offset; null while it cannot be told from zero. */
  side: 1 | -1 | null;
  offsetPx: number;
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
  /** Nothing to go by; `reason` null while no frame has come. */
  | { kind: 'no-pattern'; reason: ReasonCode | null }
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
