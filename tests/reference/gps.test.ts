/** Positions in pictures against exiftool (its reading, with its version, is beside them; fixtures/gps/make.sh). */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { readGps } from '../../host/decode/gps.ts';

interface Reading {
  SourceFile: string;
  GPSLatitude?: number;
  GPSLongitude?: number;
  GPSAltitude?: number;
  GPSDateTime?: string;
}

const folder = new URL('./fixtures/gps/', import.meta.url);
const readings: Reading[] = JSON.parse(readFileSync(new URL('exiftool.json', folder), 'utf8'));

describe('the position as exiftool reads it', () => {
  test.each(readings)('$SourceFile', async ({ SourceFile, GPSLatitude, GPSLongitude, GPSAltitude, GPSDateTime }) => {
    const ours = await readGps(readFileSync(new URL(SourceFile, folder)));
    if (GPSLatitude === undefined || GPSLongitude === undefined) return expect(ours).toBeNull();
    expect(ours!.latitudeDeg).toBeCloseTo(GPSLatitude, 8);
    expect(ours!.longitudeDeg).toBeCloseTo(GPSLongitude, 8);
    expect(ours!.elevationM).toBeCloseTo(GPSAltitude!, 6);
    const theirs = GPSDateTime?.replace(/^(\d+):(\d+):(\d+) /, '$1-$2-$3T').replace(/Z$/, '.000Z') ?? null;
    expect(ours!.timeUtc).toBe(theirs);
  });

  test('bytes that are no picture have none', async () => {
    expect(await readGps(Buffer.from('no picture'))).toBeNull();
  });
});
