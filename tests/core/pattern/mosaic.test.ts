/** A sensor's pixels in a picture enlarged by libvips, an independent program: found where they are, and nowhere else. */
import sharp from 'sharp';
import { describe, expect, test } from 'vitest';
import { findMosaic, type Mosaic, stillShows } from '../../../core/pattern/mosaic.ts';
import { expose } from '../../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../../core/simulator/render.ts';
import { decoded, enlarged } from '../../bench/frames.ts';
import { encodeJpeg } from '../../support/encode.ts';
import { scene } from './support.ts';

/** The simulator's mosaic begins with a red pixel. */
const RAW_PX = 150;
const drawn = { ...scene({ bayer: true, skyE: 30, readNoiseE: 4, fullWellE: 4000 }, RAW_PX) };
const raw = expose(renderNoiseFree(drawn), drawn);

/** How far a red pixel stands from the nearest place where the mosaic has one, sensor's pixels. */
function awayFrom({ stepPx, redXPx, redYPx }: Mosaic, pixel: number, times: number): number {
  // Pixel centres of the large picture, in which libvips puts the small one's half a pixel further on.
  const truePx = (pixel + 0.5) * times;
  const away = (redPx: number) => {
    const steps = (truePx - redPx) / (2 * stepPx);
    return 2 * Math.abs(steps - Math.round(steps));
  };
  return Math.max(away(redXPx), away(redYPx));
}

describe('the mosaic', () => {
  test.each([4, 5, 6.4, 10])(
    'of a picture enlarged %s times is found to a tenth of a pixel of the sensor, from end to end',
    async (times) => {
      const picture = await enlarged(raw, times);
      const mosaic = findMosaic(picture)!;
      expect(mosaic.stepPx).toBeCloseTo(times, 1);
      for (const pixel of [0, RAW_PX / 2 - ((RAW_PX / 2) % 2), RAW_PX - 2])
        expect(awayFrom(mosaic, pixel, times)).toBeLessThan(0.1);
    },
  );

  test('is found through a JPEG whose colour has half the resolution', async () => {
    const picture = await decoded(await encodeJpeg(await enlarged(raw, 5), 90));
    const mosaic = findMosaic(picture)!;
    expect(mosaic.stepPx).toBeCloseTo(5, 1);
    expect(awayFrom(mosaic, RAW_PX / 2 - ((RAW_PX / 2) % 2), 5)).toBeLessThan(0.1);
  });

  test('is not there again once the magnified part has moved by a pixel of the sensor', async () => {
    const mosaic = findMosaic(await enlarged(raw, 5))!;
    const movedBy = async (x: number, y: number) => {
      const part = sharp(raw.data as Uint8Array, { raw: { width: RAW_PX, height: RAW_PX, channels: 3 } });
      const data = await part
        .extract({ left: x, top: y, width: RAW_PX - 10, height: RAW_PX - 10 })
        .raw()
        .toBuffer();
      return enlarged({ ...raw, widthPx: RAW_PX - 10, heightPx: RAW_PX - 10, data }, 5);
    };
    expect(stillShows(mosaic, await movedBy(0, 0))).toBe(true);
    expect(stillShows(mosaic, await movedBy(2, 4))).toBe(true);
    expect(stillShows(mosaic, await movedBy(1, 0))).toBe(false);
    expect(stillShows(mosaic, await movedBy(0, 1))).toBe(false);
    expect(stillShows(mosaic, await movedBy(1, 1))).toBe(false);
  });

  test('is not seen in a picture at its own size, in one without a mosaic, in grey, nor without noise', async () => {
    expect(findMosaic(raw)).toBeNull();
    const threeColours = { ...drawn, bayer: false };
    expect(findMosaic(await enlarged(expose(renderNoiseFree(threeColours), threeColours), 5))).toBeNull();
    const grey = { ...raw, channels: 1 as const, data: raw.data.filter((_, i) => i % 3 === 1) };
    expect(findMosaic(grey)).toBeNull();
    expect(findMosaic({ ...raw, data: new Uint8Array(raw.data.length) })).toBeNull();
  });
});
