/** Each reason from a frame that asks for it, and the sample frames against their truth. */
import { readFileSync } from 'node:fs';
import sharp from 'sharp';
import { describe, expect, test } from 'vitest';
import type { PixelImage } from '../../../core/frame.ts';
import type { NoPattern, ReasonCode } from '../../../core/measurement.ts';
import { loadCv } from '../../../core/pattern/cv.ts';
import { measure } from '../../../core/pattern/measure.ts';
import { defaultScene, type Scene, star } from '../../../core/simulator/scene.ts';
import { expectTrue, frameOf, scene, UNKNOWN } from './support.ts';

const cv = await loadCv();

function refused(image: PixelImage): NoPattern {
  const reading = measure(cv, image, UNKNOWN);
  if (reading.status === 'measured') throw new Error(`measured ${reading.offsetPx} ± ${reading.offsetSigmaPx}`);
  return reading;
}

function flat(value: number, widthPx = 320, heightPx = 240): PixelImage {
  const data = new Uint8Array(3 * widthPx * heightPx).fill(value);
  return { widthPx, heightPx, channels: 3, data, maxValue: 255, transfer: 'srgb' };
}

async function sample(file: string): Promise<PixelImage> {
  const bytes = readFileSync(new URL(`../../../samples/frames/${file}`, import.meta.url));
  const { data, info } = await sharp(bytes).removeAlpha().raw().toBuffer({ resolveWithObject: true });
  return { widthPx: info.width, heightPx: info.height, channels: 3, data, maxValue: 255, transfer: 'srgb' };
}

const bright = star(150.3, 149.6, 400_000);

describe('reasons', () => {
  const cases: [ReasonCode, string, Partial<Scene>][] = [
    ['no-star', 'sky and hot pixels', { star: star(-4000, -4000, 1), hotPixels: 60, hotPixelE: 4000 }],
    ['too-dim', 'a faint star', { star: star(150.3, 149.6, 800) }],
    ['too-dim', 'a star whose spots are lost in the noise', { star: star(150.3, 149.6, 3000) }],
    ['too-bright', 'moonlit clouds at the white level', { skyE: 20_000 }],
    ['too-bright', 'everything burnt out', { star: star(150.3, 149.6, 3e9) }],
    ['at-edge', 'half of the star outside', { star: star(0, 149.6, 400_000) }],
    ['at-edge', 'half of the spots outside', { star: star(10, 149.6, 400_000) }],
    ['pair-missing', 'no light through the middle grating', { zoneTransmission: { middle: 0, plus: 1, minus: 1 } }],
    ['pair-missing', 'no light through an outer grating', { zoneTransmission: { middle: 1, plus: 0, minus: 1 } }],
    ['spikes-only', 'seven blades', { mask: null, blades: 7, star: star(150.3, 149.6, 3e7) }],
    ['spikes-only', 'four vanes', { mask: null, vanes: 4, vaneWidthD: 0.02, star: star(150.3, 149.6, 3e7) }],
    ['no-spots', 'a star without mask', { mask: null, star: star(150.3, 149.6, 1e6) }],
    ['motion-blur', 'a trail', { mask: null, trailXPx: 24, trailYPx: 18 }],
    ['motion-blur', 'a trail with the mask on', { trailXPx: 48, trailYPx: 36 }],
    ['too-far', 'a blurred star without mask', { mask: null, dzUm: 90, star: star(150.3, 149.6, 1e6) }],
    ['too-far', 'spots far larger than their spacing', { dzUm: 250, pitchUm: 420, star: star(150.3, 149.6, 3e6) }],
  ];
  test.each(cases)('%s: %s', (reason, _, changes) => {
    expect(refused(frameOf(scene({ star: bright, ...changes }))).reason).toBe(reason);
  });

  test('black, grey and white', () => {
    expect(refused(flat(0))).toEqual({ status: 'no-pattern', reason: 'no-star', star: null });
    expect(refused(flat(90)).reason).toBe('no-star');
    expect(refused(flat(255)).reason).toBe('too-bright');
  });

  test('frames too small for anything', () => {
    for (const [width, height] of [
      [1, 1],
      [3, 500],
      [16, 16],
      [64, 64],
    ])
      expect(refused(flat(0, width, height)).reason).toBe('no-star');
  });

  test('the star’s place comes with the reason', () => {
    const { star: place } = refused(frameOf(scene({ mask: null, star: star(101.2, 202.7, 1e6) })));
    expect(Math.hypot(place!.xPx - 101.2, place!.yPx - 202.7)).toBeLessThan(1);
  });
});

describe('sample frames', () => {
  const lines = readFileSync(new URL('../../../samples/frames/truth.jsonl', import.meta.url), 'utf8');
  const truths = lines
    .trim()
    .split('\n')
    .map((line) => JSON.parse(line));

  test.each(truths.filter(({ pattern }) => pattern))('$file', async (known) => {
    expectTrue(measure(cv, await sample(known.file), UNKNOWN), known);
  });

  test.each(truths.filter(({ pattern }) => pattern))(
    '$file in microns',
    async ({ file, focalMm, N, pixelUm, ...known }) => {
      const mask = { ...defaultScene().mask!, layout: known.layout, orientation: null, ribD: 0.015 };
      const reading = measure(cv, await sample(file), { focalMm, fNumber: N, pixelUm, mask });
      if (reading.status !== 'measured') throw new Error(reading.reason);
      // Which way round the mask sits is not told by one frame.
      const error = Math.abs(Math.abs(reading.defocusUm!) - Math.abs(known.dzUm));
      expect(error).toBeLessThan(Math.max(5 * reading.defocusSigmaUm!, 0.05 * Math.abs(known.dzUm)));
      expect(reading.defocusSigmaUm).toBeLessThan(0.25 * known.quarterUm + 0.1 * Math.abs(known.dzUm));
    },
  );

  test.each([
    ['no-mask-blades.jpg', 'spikes-only'],
    ['no-mask-lamps.jpg', 'no-spots'],
    ['sky-only.jpg', 'no-star'],
  ])('%s: %s', async (file, reason) => {
    expect(refused(await sample(file)).reason).toBe(reason);
  });
});
