/** Frame after frame: the star is followed, found again after a jump, and no memory is kept. */
import { expect, test } from 'vitest';
import type { Part, PixelImage } from '../../../core/frame.ts';
import { LiveMeasurer } from '../../../core/pattern/live.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { star, truth } from '../../../core/simulator/scene.ts';
import { enlarged } from '../../bench/frames.ts';
import { collectGarbage, mixedFrames } from '../../bench/memory.ts';
import { drawn, expectTrue, frameOf, measured, scene, UNKNOWN } from './support.ts';

const at = (xPx: number, yPx: number, seed: number, dzUm = 6) =>
  scene({ star: star(xPx, yPx, 300_000), seed, dzUm, maskRotationDeg: 25 }, 320);

test('a drifting star is followed, and each frame agrees with a fresh look', () => {
  const live = new LiveMeasurer();
  for (let i = 0; i < 8; i++) {
    const drifted = at(130 + 2.3 * i, 150 + 1.1 * i, i + 1, 6 - i);
    const image = frameOf(drifted);
    const followed = measured(live.measure(image, UNKNOWN));
    const fresh = measured(measure(image, UNKNOWN));
    expectTrue(followed, truth(drifted));
    expect(Math.abs(followed.offsetPx - fresh.offsetPx)).toBeLessThan(
      3 * Math.hypot(fresh.offsetSigmaPx, followed.offsetSigmaPx),
    );
  }
});

test('found again at once after a jump, in a frame of another size, and after frames without it', () => {
  const live = new LiveMeasurer();
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
  const live = new LiveMeasurer();
  for (const dzUm of [-12, 12, -3, 25]) {
    const turned = at(160, 158, 3, dzUm);
    expectTrue(live.measure(frameOf(turned), UNKNOWN), truth(turned));
  }
});

test('pixels made only as they are asked for give the same readings to the bit', async () => {
  // Drifting, jumping, not there, faint; rows banded; enlarged with a mosaic.
  const drifting = [0, 1, 2].map((i) => frameOf(at(130 + 2.3 * i, 150, i + 1)));
  const banded = [7, 8].map((seed) => frameOf({ ...at(160, 158, seed), bandingE: 8 }));
  const small = scene({ star: star(50.2, 49.6, 300_000), pitchUm: 380, bayer: true }, 100);
  const magnified = await Promise.all([1, 2].map((seed) => enlarged(frameOf({ ...small, seed }), 4)));
  const frames = [...drifting, frameOf(at(230, 205, 2)), ...banded, ...magnified, ...mixedFrames()];
  const [all, asked] = [new LiveMeasurer(), new LiveMeasurer()];
  const shares = frames.map((image) => {
    const partial = madeAsAsked(image);
    expect(asked.measure(partial.image, UNKNOWN)).toEqual(all.measure(image, UNKNOWN));
    return partial.made() / (image.widthPx * image.heightPx);
  });
  // What is followed is not looked at as a whole.
  expect(Math.max(...shares.slice(1, 3))).toBeLessThan(0.9);
  expect(shares[0]).toBe(1);
});

/** The picture with all pixels white until they are asked for, and how many have been. */
function madeAsAsked(image: PixelImage): { image: PixelImage; made: () => number } {
  const { widthPx, heightPx, channels } = image;
  const data = new Uint8Array(image.data.length).fill(image.maxValue);
  const isMade = new Uint8Array(widthPx * heightPx);
  const need = (part: Part) => {
    const [right, bottom] = [part.xPx + part.widthPx, part.yPx + part.heightPx];
    for (let y = Math.max(0, Math.floor(part.yPx)); y < Math.min(heightPx, bottom); y++)
      for (let x = Math.max(0, Math.floor(part.xPx)); x < Math.min(widthPx, right); x++) {
        const i = y * widthPx + x;
        isMade[i] = 1;
        for (let c = channels * i; c < channels * (i + 1); c++) data[c] = image.data[c];
      }
  };
  return { image: { ...image, data, need }, made: () => isMade.reduce((sum, one) => sum + one, 0) };
}

test('hundreds of frames, followed, lost, faint, of changing size, leave memory as it was', () => {
  const live = new LiveMeasurer();
  // Without a star, so that large ones are quick, too.
  const empty = frameOf(scene({ star: star(-4000, -4000, 1) }, 320));
  const frames = mixedFrames().flatMap((frame, i) => (i % 3 === 0 ? [frame, empty] : [frame]));
  let measuredFrames = 0;
  const run = (count: number) => {
    for (let i = 0; i < count; i++)
      if (live.measure(frames[i % frames.length], UNKNOWN).status === 'measured') measuredFrames++;
  };
  run(2 * frames.length);
  const before = usedBytes();
  run(300);
  expect(measuredFrames).toBeGreaterThan(40);
  // The reduced pictures alone, were they kept, would take some 40 MB; tables come and go in between, some 5 MB.
  expect(usedBytes() - before).toBeLessThan(2 ** 23);
}, 180_000);

/** What is in use once the collector has run. */
function usedBytes(): number {
  collectGarbage();
  const { heapUsed, arrayBuffers } = process.memoryUsage();
  return heapUsed + arrayBuffers;
}
