import { crc32 } from 'node:zlib';
import jpeg from 'jpeg-js';
import sharp from 'sharp';
import { describe, expect, test } from 'vitest';
import { decode } from '../../host/decode/decode.ts';
import { writeDng } from './dng.ts';

/** A smooth picture with a few star-like dots. */
function scene(widthPx: number, heightPx: number, maxValue: number): number[] {
  const values: number[] = [];
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x++)
      for (const gain of [1, 0.8, 0.6]) {
        const star = Math.exp(-((x - 20.3) ** 2 + (y - 15.6) ** 2) / 8);
        values.push(Math.round(maxValue * gain * (0.05 + 0.2 * (x / widthPx) + 0.7 * star)));
      }
  return values;
}

const WIDTH = 48;
const HEIGHT = 32;
const values8 = scene(WIDTH, HEIGHT, 255);
const values16 = scene(WIDTH, HEIGHT, 65535);
const raw8 = () => sharp(Uint8Array.from(values8), { raw: { width: WIDTH, height: HEIGHT, channels: 3 } });
const raw16 = () =>
  sharp(Uint16Array.from(values16), { raw: { width: WIDTH, height: HEIGHT, channels: 3 } }).toColourspace('rgb16');

describe('lossless pictures keep every value', () => {
  test.each([
    ['a.png', () => raw8().png()],
    ['a.tif', () => raw8().tiff({ compression: 'lzw' })],
    ['a.webp', () => raw8().webp({ lossless: true })],
    ['with a wide-gamut profile.png', () => raw8().withIccProfile('p3', { attach: true }).png()],
  ])('8 bit, %s', async (name, make) => {
    const bytes = await make().toBuffer();
    // A picture made with a profile was converted on the way out; what the file holds is the reference.
    const stored = name.includes('profile') ? await sharp(bytes, { ignoreIcc: true }).raw().toBuffer() : values8;
    const image = await decode(bytes, name);
    expect(image).toMatchObject({ widthPx: WIDTH, heightPx: HEIGHT, channels: 3, maxValue: 255, transfer: 'srgb' });
    expect([...image.data]).toEqual([...stored]);
  });

  test.each([
    ['a.png', () => raw16().png()],
    ['a.tiff', () => raw16().tiff({ compression: 'none' })],
  ])('16 bit, %s', async (name, make) => {
    const image = await decode(await make().toBuffer(), name);
    expect(image).toMatchObject({ widthPx: WIDTH, heightPx: HEIGHT, channels: 3, maxValue: 65535 });
    expect([...image.data]).toEqual(values16);
  });

  test('grey stays one channel, alpha is dropped', async () => {
    const grey = Uint8Array.from({ length: WIDTH * HEIGHT }, (_, i) => i % 251);
    const input = { raw: { width: WIDTH, height: HEIGHT, channels: 1 as const } };
    const png = await sharp(grey, input).toColourspace('b-w').png().toBuffer();
    const image = await decode(png, 'grey.png');
    expect(image.channels).toBe(1);
    expect([...image.data]).toEqual([...grey]);
    const alpha = await decode(await raw8().ensureAlpha(0.5).png().toBuffer(), 'alpha.png');
    expect(alpha.channels).toBe(3);
    expect([...alpha.data]).toEqual(values8);
  });

  test('EXIF orientation is not applied', async () => {
    const turned = await raw8().withMetadata({ orientation: 6 }).png().toBuffer();
    const image = await decode(turned, 'turned.png');
    expect([image.widthPx, image.heightPx]).toEqual([WIDTH, HEIGHT]);
    expect([...image.data]).toEqual(values8);
  });
});

describe('JPEG against an independent decoder (jpeg-js 0.4, which shares no code with libjpeg)', () => {
  // ITU-T T.83 allows an inverse DCT to be a level off. One level of Y plus one of Cb, times 1.772 (JFIF), is at
  // most 3 levels of blue. jpeg-js cuts fractions off where we round, so the mean difference is half a level.
  test.each([95, 80])('quality %i, full chroma: within 3 levels, mean half a level', async (quality) => {
    const bytes = await raw8().jpeg({ quality, chromaSubsampling: '4:4:4' }).toBuffer();
    const ours = await decode(bytes, 'a.jpg');
    const theirs = jpeg.decode(bytes, { formatAsRGBA: false, useTArray: true });
    expect(ours).toMatchObject({ widthPx: theirs.width, heightPx: theirs.height, channels: 3, maxValue: 255 });
    const differences = Array.from(theirs.data, (value, i) => ours.data[i] - value);
    expect(Math.max(...differences.map(Math.abs))).toBeLessThanOrEqual(3);
    const mean = differences.reduce((sum, d) => sum + d, 0) / differences.length;
    expect(Math.abs(mean - 0.5)).toBeLessThan(0.1);
  });

  test('halved chroma: luma within 2 levels (decoders may interpolate chroma differently)', async () => {
    const bytes = await raw8().jpeg({ quality: 95, chromaSubsampling: '4:2:0' }).toBuffer();
    const ours = await decode(bytes, 'a.jpg');
    const theirs = jpeg.decode(bytes, { formatAsRGBA: false, useTArray: true });
    // Luma weights of ITU-R BT.601, which JFIF uses.
    const luma = (data: ArrayLike<number>, i: number) => 0.299 * data[i] + 0.587 * data[i + 1] + 0.114 * data[i + 2];
    let worst = 0;
    for (let i = 0; i < theirs.data.length; i += 3)
      worst = Math.max(worst, Math.abs(luma(ours.data, i) - luma(theirs.data, i)));
    expect(worst).toBeLessThanOrEqual(2);
  });
});

describe('camera raw', () => {
  const BLACK = 64;
  const WHITE = 16383;
  const LEVELS = [1000, 2000, 2000, 3000]; // red, green, green, blue
  const mosaic = Uint16Array.from({ length: WIDTH * HEIGHT }, (_, i) => {
    const [x, y] = [i % WIDTH, Math.floor(i / WIDTH)];
    return BLACK + LEVELS[(y % 2) * 2 + (x % 2)] + 10 * x;
  });
  const dng = writeDng(WIDTH, HEIGHT, mosaic, { blackLevel: BLACK, whiteLevel: WHITE, orientation: 6 });

  test('a DNG comes out linear, black at 0 and white at 65535, colours and orientation untouched', async () => {
    const image = await decode(dng, 'shot.dng');
    expect(image).toMatchObject({ widthPx: WIDTH, heightPx: HEIGHT, channels: 3, maxValue: 65535, transfer: 'linear' });
    // The mosaic is a plane per colour, which bilinear interpolation keeps exactly (away from the border).
    for (const [x, y] of [
      [10, 10],
      [31, 17],
      [40, 25],
    ])
      for (const [channel, level] of [1000, 2000, 3000].entries()) {
        const expected = ((level + 10 * x) * 65535) / (WHITE - BLACK);
        expect(Math.abs(image.data[(y * WIDTH + x) * 3 + channel] - expected)).toBeLessThanOrEqual(2);
      }
  });

  test('decodes again and again, also after a damaged one', async () => {
    const first = await decode(dng, 'shot.dng');
    await expect(decode(dng.subarray(0, dng.length / 2), 'cut.dng')).rejects.toMatchObject({ code: 'damaged' });
    await expect(decode(new Uint8Array(4000), 'zeros.nef')).rejects.toMatchObject({ code: 'damaged' });
    expect([...(await decode(dng, 'shot.DNG')).data]).toEqual([...first.data]);
  });
});

describe('what cannot be decoded says so', () => {
  const jpegBytes = () => raw8().jpeg().toBuffer();
  test.each([
    ['empty', 'a.jpg', () => new Uint8Array(0)],
    ['not-an-image', 'a.jpg', () => Buffer.from('not a picture at all, just a line of text\n'.repeat(20))],
    ['not-an-image', 'a.svg', () => Buffer.from('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>')],
    ['not-an-image', 'a.gif', () => raw8().gif().toBuffer()],
    ['damaged', 'half.jpg', async () => cut(await jpegBytes(), 0.5)],
    ['damaged', 'almost.jpg', async () => cut(await jpegBytes(), 0.95)],
    ['damaged', 'start.jpg', async () => cut(await jpegBytes(), 0.02)],
    ['damaged', 'half.png', async () => cut(await raw8().png().toBuffer(), 0.5)],
    ['damaged', 'half.tif', async () => cut(await raw8().tiff().toBuffer(), 0.5)],
    ['damaged', 'half.webp', async () => cut(await raw8().webp({ lossless: true }).toBuffer(), 0.5)],
    ['too-large', 'wide.png', async () => resized(await raw8().png().toBuffer(), 20000, 9000)],
  ])('%s: %s', async (code, name, make) => {
    const failure = await decode(await make(), name).catch((error) => error);
    expect(failure).toMatchObject({ name: 'DecodeError', code });
    expect(failure.message).not.toContain('\n');
  });

  const cut = (bytes: Buffer, part: number) => bytes.subarray(0, Math.floor(bytes.length * part));
  /** A PNG whose header states another size (ISO/IEC 15948: IHDR at byte 12, CRC over type and data). */
  const resized = (png: Buffer, width: number, height: number) => {
    const bytes = Buffer.from(png);
    bytes.writeUInt32BE(width, 16);
    bytes.writeUInt32BE(height, 20);
    bytes.writeUInt32BE(crc32(bytes.subarray(12, 29)), 29);
    return bytes;
  };
});
