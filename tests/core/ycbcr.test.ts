/** Colours of planes against the formulas of ITU-T T.871 (JFIF), § 7. */
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { seededRandom } from '../../core/simulator/random.ts';
import { type Planes, rgbaAsNeeded, writeRgba } from '../../core/ycbcr.ts';

function rgbaOf(planes: Planes): Uint8ClampedArray {
  const rgba = new Uint8ClampedArray(4 * planes.widthPx * planes.heightPx);
  writeRgba(planes, rgba);
  return rgba;
}

/** One colour for all pixels of a row, or one for each. */
const plane = (...values: number[]) => ({ data: Uint8Array.from(values), stride: values.length });

describe('colours', () => {
  test('each value within half a level, and a hundredth, of the formulas', () => {
    const values = Array.from({ length: 52 }, (_, i) => 5 * i);
    let worst = 0;
    for (const y of values)
      for (const cb of values) {
        const planes = { widthPx: 52, heightPx: 1, steps: [1, 1] as const };
        const even = (value: number) => plane(...values.map(() => value));
        const rgba = rgbaOf({ ...planes, luma: even(y), blue: even(cb), red: plane(...values) });
        values.forEach((cr, i) => {
          const wanted = [
            y + 1.402 * (cr - 128),
            y - (0.114 * 1.772 * (cb - 128) + 0.299 * 1.402 * (cr - 128)) / 0.587,
            y + 1.772 * (cb - 128),
            255,
          ];
          wanted.forEach((value, c) => {
            const clipped = Math.min(255, Math.max(0, value));
            worst = Math.max(worst, Math.abs(rgba[4 * i + c] - clipped));
          });
        });
      }
    expect(worst).toBeLessThan(0.51);
  });
});

describe('colour at half the resolution', () => {
  /** What red says of the colour's red, for grey luma of 100. */
  const reds = (planes: Omit<Planes, 'luma' | 'blue'>) => {
    const { widthPx, heightPx } = planes;
    const luma = { data: new Uint8Array(widthPx * heightPx).fill(100), stride: widthPx };
    const blue = { data: new Uint8Array(planes.red.data.length).fill(128), stride: planes.red.stride };
    const rgba = rgbaOf({ ...planes, luma, blue });
    return Array.from({ length: widthPx * heightPx }, (_, i) => (rgba[4 * i] - 100) / 1.402 + 128);
  };

  test('lies between the pixels: a slope goes on through all of them', () => {
    // Samples at pixel 0.5, 2.5, 4.5; level beyond the first and the last.
    const across = reds({ widthPx: 6, heightPx: 1, steps: [2, 1], red: plane(108, 128, 148) });
    [108, 113, 123, 133, 143, 148].forEach((value, x) => {
      expect(Math.abs(across[x] - value)).toBeLessThan(0.8);
    });
  });

  test('the same down, and of an odd size', () => {
    const red = { data: Uint8Array.from([108, 108, 108, 128, 128, 128, 148, 148, 148]), stride: 3 };
    const down = reds({ widthPx: 5, heightPx: 5, steps: [2, 2], red });
    [108, 113, 123, 133, 143].forEach((value, y) => {
      for (let x = 0; x < 5; x++) expect(Math.abs(down[5 * y + x] - value)).toBeLessThan(0.8);
    });
  });
});

test('planes may have wider rows than the picture', () => {
  const wide = { data: Uint8Array.from([10, 20, 99, 30, 40, 99]), stride: 3 };
  const none = { data: new Uint8Array(6).fill(128), stride: 3 };
  const rgba = rgbaOf({ widthPx: 2, heightPx: 2, steps: [1, 1], luma: wide, blue: none, red: none });
  expect([0, 4, 8, 12].map((at) => rgba[at])).toEqual([10, 20, 30, 40]);
});

describe('made as needed', () => {
  const random = seededRandom(3);
  const noise = (stride: number, rows: number) => ({
    data: Uint8Array.from({ length: stride * rows }, () => 256 * random.uniform()),
    stride,
  });
  const part = fc.record({
    xPx: fc.double({ min: -9, max: 30, noNaN: true }),
    yPx: fc.double({ min: -9, max: 25, noNaN: true }),
    widthPx: fc.double({ min: 0, max: 20, noNaN: true }),
    heightPx: fc.double({ min: 0, max: 20, noNaN: true }),
  });

  test.each([[[1, 1]], [[2, 1]], [[2, 2]]] as const)('colour for %j pixels: the same as the whole', (steps) => {
    const [widthPx, heightPx] = [23, 17];
    const chroma = () => noise(Math.ceil(widthPx / steps[0]), Math.ceil(heightPx / steps[1]));
    const planes = { widthPx, heightPx, steps, luma: noise(widthPx, heightPx), blue: chroma(), red: chroma() };
    const whole = new Uint32Array(rgbaOf(planes).buffer);
    fc.assert(
      fc.property(fc.array(part, { minLength: 1, maxLength: 4 }), (parts) => {
        const rgba = new Uint8ClampedArray(4 * widthPx * heightPx);
        const need = rgbaAsNeeded(planes, rgba);
        for (const one of parts) need(one);
        const pixels = new Uint32Array(rgba.buffer);
        for (const { xPx, yPx, ...size } of parts)
          for (let y = Math.max(0, Math.floor(yPx)); y < Math.min(heightPx, yPx + size.heightPx); y++)
            for (let x = Math.max(0, Math.floor(xPx)); x < Math.min(widthPx, xPx + size.widthPx); x++)
              if (pixels[y * widthPx + x] !== whole[y * widthPx + x]) return false;
        // And what was not made is as it was.
        return pixels.every((pixel, i) => pixel === 0 || pixel === whole[i]);
      }),
      { numRuns: 300 },
    );
  });
});
