/** Frame after frame: the star is followed, found again after a jump, and no memory is kept. */
import { expect, test } from 'vitest';
import type { PixelImage } from '../../../core/frame.ts';
import { loadCv } from '../../../core/pattern/cv.ts';
import { LiveMeasurer } from '../../../core/pattern/live.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { star, truth } from '../../../core/simulator/scene.ts';
import { drawn, expectTrue, frameOf, measured, scene, UNKNOWN } from './support.ts';

const cv = await loadCv();
const at = (xPx: number, yPx: number, seed: number, dzUm = 6) =>
  scene({ star: star(xPx, yPx, 300_000), seed, dzUm, maskRotationDeg: 25 }, 320);

test('a drifting star is followed, and each frame agrees with a fresh look', () => {
  const live = new LiveMeasurer(cv);
  for (let i = 0; i < 8; i++) {
    const drifted = at(130 + 2.3 * i, 150 + 1.1 * i, i + 1, 6 - i);
    const image = frameOf(drifted);
    const followed = measured(live.measure(image, UNKNOWN));
    const fresh = measured(measure(cv, image, UNKNOWN));
    expectTrue(followed, truth(drifted));
    expect(Math.abs(followed.offsetPx - fresh.offsetPx)).toBeLessThan(
      3 * Math.hypot(fresh.offsetSigmaPx, followed.offsetSigmaPx),
    );
  }
});

test('found again at once after a jump, in a frame of another size, and after frames without it', () => {
  const live = new LiveMeasurer(cv);
  const first = at(120, 130, 1);
  expectTrue(live.measure(frameOf(first), UNKNOWN), truth(first));
  const jumped = at(215, 205, 2);
  expectTrue(live.measure(frameOf(jumped), UNKNOWN), truth(jumped));
  const empty = frameOf(scene({ star: star(-4000, -4000, 1) }, 320));
  expect(live.measure(empty, UNKNOWN)).toMatchObject({ status: 'no-pattern', reason: 'no-star' });
  const other = drawn({ star: star(200.4, 180.2, 300_000), dzUm: -5 }, 400);
  expectTrue(live.measure(other.image, UNKNOWN), other.known);
});

test('a change of the defocus from frame to frame is not held back by the last one', () => {
  const live = new LiveMeasurer(cv);
  for (const dzUm of [-12, 12, -3, 25]) {
    const turned = at(160, 158, 3, dzUm);
    expectTrue(live.measure(frameOf(turned), UNKNOWN), truth(turned));
  }
});

test('hundreds of frames of changing size leave OpenCV’s heap as it was', () => {
  const sizes = [320, 200, 260, 160];
  const pattern = drawn({ dzUm: 4 }, 320).image;
  const empty = frameOf(scene({ star: star(-4000, -4000, 1) }, 320));
  // Mostly empty frames, which are quick; every ninth holds the pattern.
  const frames = Array.from({ length: 9 }, (_, i) => cropped(i === 0 ? pattern : empty, sizes[i % 4]));
  const run = (count: number) => {
    for (let i = 0; i < count; i++) measure(cv, frames[i % frames.length], UNKNOWN);
  };
  run(9);
  const before = topOfHeap();
  run(300);
  // Matrices that are not given back would take some 90 MB.
  expect(topOfHeap() - before).toBeLessThan(4 * 2 ** 20);
});

/** Where OpenCV places a matrix too large for any gap: above everything that is in use. */
function topOfHeap(): number {
  const mat = new cv.Mat(2048, 2048, cv.CV_32FC1);
  const { byteOffset } = mat.data32F;
  mat.delete();
  return byteOffset;
}

function cropped(image: PixelImage, size: number): PixelImage {
  const left = (image.widthPx - size) >> 1;
  const data = new Uint8Array(3 * size * size);
  for (let y = 0; y < size; y++) {
    const from = 3 * ((left + y) * image.widthPx + left);
    data.set(image.data.subarray(from, from + 3 * size), 3 * y * size);
  }
  return { ...image, widthPx: size, heightPx: size, data };
}
