import type { Cv } from '../pattern/cv.ts';

type Mat = InstanceType<Cv['Mat']>;

/** The Gaussian that stars are looked for with. The OpenCV matrices are kept for parts of the same size. */
export class MatchedFilter {
  readonly #cv: Cv;
  #from: Mat | null = null;
  #to: Mat | null = null;

  constructor(cv: Cv) {
    this.#cv = cv;
  }

  /** The filtered part; its array is valid until the next call. */
  apply(data: Float32Array, widthPx: number, fwhmPx: number): Float32Array {
    const cv = this.#cv;
    const heightPx = data.length / widthPx;
    if (this.#from?.cols !== widthPx || this.#from.rows !== heightPx) {
      this.free();
      this.#from = new cv.Mat(heightPx, widthPx, cv.CV_32FC1);
      this.#to = new cv.Mat(heightPx, widthPx, cv.CV_32FC1);
    }
    this.#from.data32F.set(data);
    const size = kernelSize(fwhmPx);
    const sigma = sigmaOf(fwhmPx);
    cv.GaussianBlur(this.#from, this.#to!, new cv.Size(size, size), sigma, sigma, cv.BORDER_CONSTANT);
    return this.#to!.data32F;
  }

  /** What the filter leaves of white noise of 1. */
  whiteNoise(fwhmPx: number): number {
    const half = (kernelSize(fwhmPx) - 1) / 2;
    let [sum, squares] = [0, 0];
    for (let i = -half; i <= half; i++) {
      const weight = Math.exp(-0.5 * (i / sigmaOf(fwhmPx)) ** 2);
      sum += weight;
      squares += weight ** 2;
    }
    return squares / sum ** 2;
  }

  /** Gives the matrices back to OpenCV. */
  free(): void {
    this.#from?.delete();
    this.#to?.delete();
    this.#from = null;
    this.#to = null;
  }
}

const sigmaOf = (fwhmPx: number) => fwhmPx / 2.354820045;
const kernelSize = (fwhmPx: number) => 2 * Math.ceil(3.5 * sigmaOf(fwhmPx)) + 1;
