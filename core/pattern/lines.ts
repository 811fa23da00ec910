/** The lines through the six spots, which is what is measured, and what follows from them alone. */

/** Zones in the order used by all arrays here; the outer lines are turned by SIGN · θ from the middle one. */
export const ZONES = ['middle', 'plus', 'minus'] as const;

export const SIGN = [0, 1, -1];

/** Two zones at a time. */
export const PAIRS = [
  [0, 1],
  [0, 2],
  [1, 2],
] as const;

/** The fitted pattern about the origin (the star's rough place), px and radians. */
export interface Lines {
  /** Direction of the middle line. */
  angle: number;
  /** Angle between outer lines and the middle one. */
  outer: number;
  /** Displacement of each line across itself, along (−sin, cos). */
  across: number[];
  /** Displacement of each zone's spots along its line. */
  along: number[];
  amplitude: number[];
  /** Cosine and sine of the phase between two zones' gratings, for each of PAIRS; 0 where it is not known. */
  phases: number[];
  /** λN at 550 nm, px: the scale of diffraction. */
  airyPx: number;
  /** W040: spherical aberration at the pupil's edge, waves at 550 nm. */
  w: number;
  /** Standard deviation of the Gaussian blur across each zone's line, px. */
  blurPx: number[];
}

export function copyLines(lines: Lines): Lines {
  return {
    ...lines,
    across: [...lines.across],
    along: [...lines.along],
    amplitude: [...lines.amplitude],
    phases: [...lines.phases],
    blurPx: [...lines.blurPx],
  };
}

/** Standard deviation of a cross profile's core, px; half a zone's diffraction is about 0.8 λN wide. */
export function widthOf(lines: Lines): number {
  return Math.hypot(0.8 * lines.airyPx, blurOf(lines));
}

/** Mean of the zones' blur, px. */
export function blurOf({ blurPx }: Lines): number {
  return (blurPx[0] + blurPx[1] + blurPx[2]) / 3;
}

/** The offset's derivatives by the three lines' places across. */
export function offsetByAcross(outer: number): number[] {
  const byOuter = -1 / (2 * Math.cos(outer));
  return [1, byOuter, byOuter];
}

/** The same by the angle between outer lines and the middle one, px per radian. */
export function offsetByOuter({ across: [, plus, minus], outer }: Pick<Lines, 'across' | 'outer'>): number {
  return (-(plus + minus) / 2) * (Math.sin(outer) / Math.cos(outer) ** 2);
}

/** Signed distance from the crossing of the outer lines to the middle line, along the middle line's (−sin, cos), px. */
export function offsetOf({ across: [middle, plus, minus], outer }: Pick<Lines, 'across' | 'outer'>): number {
  return middle - (plus + minus) / (2 * Math.cos(outer));
}
