/**
 * Reducing and filtering against OpenCV (npm @opencvjs/web): its INTER_AREA and its Gaussian of the same kernel on
 * pictures of random values, to the rounding of single precision.
 */
import { loadOpenCV } from '@opencvjs/web';
import { describe, expect, test } from 'vitest';
import { reduce } from '../../core/pattern/reduce.ts';
import { seededRandom } from '../../core/simulator/random.ts';
import { matchedFilter } from '../../core/stars/filter.ts';

const cv = await loadOpenCV();
type Mat = InstanceType<typeof cv.Mat>;

function randomPicture(widthPx: number, heightPx: number): Float32Array {
  const random = seededRandom(widthPx * heightPx);
  return Float32Array.from({ length: widthPx * heightPx }, () => random.uniform());
}

/** What OpenCV makes of a picture; its matrices are given back. */
function byOpenCv(data: Float32Array, widthPx: number, work: (from: Mat, to: Mat) => void): Float32Array {
  const [from, to] = [new cv.Mat(data.length / widthPx, widthPx, cv.CV_32FC1), new cv.Mat()];
  from.data32F.set(data);
  work(from, to);
  const result = Float32Array.from(to.data32F);
  for (const mat of [from, to]) mat.delete();
  return result;
}

function expectEqual(ours: Float32Array, theirs: Float32Array): void {
  expect(ours.length).toBe(theirs.length);
  const differences = ours.map((value, i) => Math.abs(value - theirs[i]));
  expect(differences.reduce((most, difference) => Math.max(most, difference))).toBeLessThan(1e-6);
}

describe('a reduced picture', () => {
  test.each([
    [1024, 680, 512, 340],
    [641, 425, 321, 213],
    [77, 50, 39, 25],
    [5, 3, 3, 2],
    [3, 1, 2, 1],
    [90, 40, 31, 17],
  ])('%i × %i px to %i × %i', (widthPx, heightPx, toWidthPx, toHeightPx) => {
    const data = randomPicture(widthPx, heightPx);
    const reduced = new Float32Array(toWidthPx * toHeightPx);
    reduce(data, widthPx, reduced, toWidthPx);
    const size = new cv.Size(toWidthPx, toHeightPx);
    expectEqual(
      reduced,
      byOpenCv(data, widthPx, (from, to) => cv.resize(from, to, size, 0, 0, cv.INTER_AREA)),
    );
  });
});

describe('the matched filter', () => {
  test.each([1.5, 2.4, 4, 8, 15.5])('%f px wide', (fwhmPx) => {
    const widthPx = 93;
    const data = randomPicture(widthPx, 61);
    const sigma = fwhmPx / Math.sqrt(8 * Math.log(2));
    const size = 2 * Math.ceil(3.5 * sigma) + 1;
    expectEqual(
      matchedFilter(data, widthPx, fwhmPx),
      byOpenCv(data, widthPx, (from, to) =>
        cv.GaussianBlur(from, to, new cv.Size(size, size), sigma, sigma, cv.BORDER_CONSTANT),
      ),
    );
  });
});
