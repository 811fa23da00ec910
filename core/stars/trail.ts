/** FWHM of a Gaussian over its standard deviation. */
const FWHM_PER_SIGMA = 2.354820045;

/**
 * Length of an even trail whose Gaussian of least squares has these widths along and across it, px. The trail is a
 * line blurred by a Gaussian as wide as across.
 */
export function trailLengthPx(alongFwhmPx: number, acrossFwhmPx: number): number {
  const [along, across] = [alongFwhmPx / FWHM_PER_SIGMA, acrossFwhmPx / FWHM_PER_SIGMA];
  if (along <= across) return 0;
  let [low, high] = [0, 5 * along];
  for (let i = 0; i < 40; i++) {
    const middle = (low + high) / 2;
    if (fittedSigma(middle, across) < along) low = middle;
    else high = middle;
  }
  return low;
}

/** Standard deviation of the Gaussian that matches a line of this length blurred by σ: its weighted moments are halved. */
function fittedSigma(length: number, sigma: number): number {
  const parts = 41;
  let fitted = Math.hypot(sigma, length / 3);
  for (let round = 0; round < 60; round++) {
    // Each part of the line is a Gaussian; times the weight it is another one, narrower and nearer to the middle.
    const variance = 1 / (1 / sigma ** 2 + 1 / fitted ** 2);
    let [light, squares] = [0, 0];
    for (let i = 0; i < parts; i++) {
      const at = length * ((i + 0.5) / parts - 0.5);
      const weight = Math.exp((-0.5 * at * at) / (sigma ** 2 + fitted ** 2));
      light += weight;
      squares += weight * (variance + ((at * fitted ** 2) / (sigma ** 2 + fitted ** 2)) ** 2);
    }
    fitted = Math.sqrt((2 * squares) / light);
  }
  return fitted;
}
