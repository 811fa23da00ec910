/** Stars of a photograph taken without the mask. Coordinates as everywhere: pixel centres at integers, y down. */

export interface Star {
  xPx: number;
  yPx: number;
  /** Light above the sky: sum of all pixels and channels, linear, a white channel of one pixel being 1. */
  flux: number;
  /** Over the sky's noise, for the star's own shape as weight (the photons' own noise is not counted). */
  snr: number;
  /** Half-flux radius: of the circle about the centre that holds half of the light. */
  hfrPx: number;
  /** The circle with 80 % of the light, in half-flux radii: 1.52 for a Gaussian, 1.26 for an even disc. */
  spread: number;
  /**
   * Full width at half maximum of the elliptical Gaussian that fits best by least squares, averaged over its directions
   * (geometric mean of its axes), without the pixel's own width.
   */
  fwhmPx: number;
  /** Longer over shorter axis of that ellipse, 1 or more. */
  elongation: number;
  /** Direction of the longer axis, in (−90, 90], from +x towards +y. */
  angleDeg: number;
  saturated: boolean;
}

/** All stars of one picture, the brightest first. */
export interface StarList {
  widthPx: number;
  heightPx: number;
  stars: Star[];
  /** Detections that were no stars: hot pixels, tracks of particles. */
  rejected: number;
  /** Sky in the middle of the picture, and its noise, in units of `flux` per pixel. */
  sky: number;
  noise: number;
  /** Width that stars were looked for with. */
  soughtFwhmPx: number;
}

/** Detection threshold over the noise after the matched filter. */
export const DETECTION_SIGMA = 5;
