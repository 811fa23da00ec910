/**
 * EXIF values against exiftool (its JSON reading, with its version, is beside the pictures;
 * fixtures/exif/make.sh made both).
 */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { decode } from '../../host/decode/decode.ts';
import { readExif } from '../../host/decode/exif.ts';

interface Reading {
  SourceFile: string;
  ExifToolVersion: number;
  FocalLength?: number;
  FNumber?: number;
  ExposureTime?: number;
  ISO?: number;
  DateTimeOriginal?: string;
  FocalPlaneXResolution?: number;
  FocalPlaneResolutionUnit?: number;
}

const folder = new URL('./fixtures/exif/', import.meta.url);
const readings: Reading[] = JSON.parse(readFileSync(new URL('exiftool.json', folder), 'utf8'));

async function ourReading(name: string) {
  const bytes = readFileSync(new URL(name, folder));
  const { widthPx } = await decode(bytes, name);
  return readExif(bytes, widthPx);
}

describe('EXIF as exiftool reads it', () => {
  test.each(readings)('$SourceFile', async (theirs) => {
    const ours = await ourReading(theirs.SourceFile);
    expect(ours.focalMm).toBe(theirs.FocalLength || null);
    expect(ours.fNumber).toBe(theirs.FNumber || null);
    if (theirs.ExposureTime === undefined) expect(ours.exposureS).toBeNull();
    else expect(ours.exposureS).toBeCloseTo(theirs.ExposureTime, 7); // exiftool prints 10 digits
    expect(ours.iso).toBe(theirs.ISO ?? null);
    expect(ours.takenLocal?.replace('T', ' ').replaceAll('-', ':') ?? null).toBe(theirs.DateTimeOriginal ?? null);
  });

  test('pixel size from the focal-plane resolution', async () => {
    expect((await ourReading('centimetres.jpg')).pixelUm).toBeCloseTo(10_000 / 2272.727273, 5);
    expect((await ourReading('inches.jpg')).pixelUm).toBeCloseTo(25_400 / 4438.356164, 5);
  });

  test('no pixel size when it is absent, makes no sense, or the picture was resized', async () => {
    for (const name of ['nothing.jpg', 'portrait.tif', 'odd.jpg', 'resized.jpg'])
      expect((await ourReading(name)).pixelUm).toBeNull();
  });

  test('bytes that hold no EXIF give nulls, not an error', async () => {
    expect(await readExif(Buffer.from('no picture'), 10)).toEqual(await ourReading('nothing.jpg'));
  });
});
