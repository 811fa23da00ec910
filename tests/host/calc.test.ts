/** The calculators on the command line: real processes, their output and exit status. */
import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { SETTINGS_FILE } from '../../host/datafolder.ts';

const BIN = join(import.meta.dirname, '..', '..', 'bin', 'nightring.mjs');
let data: string;
beforeAll(() => {
  data = mkdtempSync(join(tmpdir(), 'nightring-calc-'));
});
afterAll(() => rmSync(data, { recursive: true }));

const calc = (...args: string[]) => {
  const { status, stdout, stderr } = spawnSync(process.execPath, [BIN, 'calc', ...args, '--data', data], {
    encoding: 'utf8',
  });
  return { status, out: stdout, err: stderr };
};

describe('nightring calc', () => {
  test('one line per figure, with units', () => {
    const { status, out } = calc('focus', '--focal-mm', '24', '--f-number', '2.8', '--pixel-um', '4.4');
    expect(status).toBe(0);
    expect(out).toMatch(/^Focused on the stars, sharp from {2}47 m\nHyperfocal distance {2,}47 m\n/);
    expect(out).toMatch(/^Depth of focus {2,}± 8.6 µm$/m);
  });

  test('--json: the figures unrounded, infinity as null', () => {
    const { out } = calc('trail', '--json', '--focal-mm', '24', '--pixel-um', '4.4', '--declination-deg', '90');
    expect(JSON.parse(out)).toEqual({ longestExposureS: null, pxPerS: expect.closeTo(0, 9) });
    const sky = JSON.parse(calc('sky', '--json', '--f-number', '2.8', '--pixel-um', '4.4').out);
    expect(sky.settingsEv).toBeCloseTo(Math.log2(2.8 ** 2 / 10) - 5, 12);
    expect(Object.keys(sky)).toEqual([
      'skyE',
      'noiseRatio',
      'skyLimitedS',
      'skyEv',
      'settingsEv',
      'stopsBelowGrey',
      'levelPercent',
    ]);
  });

  test('what is missing or out of range is one line and exit 2', () => {
    expect(calc('focus', '--focal-mm', '24', '--pixel-um', '4.4')).toEqual({
      status: 2,
      out: '',
      err: 'nightring: the f-number is not known; give it with --f-number\n',
    });
    const far = calc('trail', '--focal-mm', '24', '--pixel-um', '4.4', '--declination-deg', '100');
    expect(far).toEqual({ status: 2, out: '', err: 'nightring: declination must be −90 to 90°, not 100\n' });
    expect(calc('sky', '--sky-mag', 'dark').status).toBe(2);
    expect(calc('offset').err).toMatch(/^nightring: .*--defocus-um.*\n$/);
  });

  test('lens, camera body, mask and calibration come from the settings', () => {
    const settings = {
      optics: { focalMm: 24, fNumber: 2.8, pixelUm: null },
      mask: { pitchUm: 175, outerAngleDeg: 20, handedness: 1, orientation: 1 },
      body: 'body',
      kit: { cameras: [{ name: 'body', pixelUm: 4.4, widthPx: 8192, heightPx: 5464, liveModes: [] }] },
      calibration: {
        version: 1,
        middleAngleDeg: 0,
        clockwiseSign: 1,
        significance: 20,
        perMark: { spotDistances: 0.05, sigma: 0.005 },
        orientation: 1,
        handedness: 1,
        focalMm: 24,
      },
    };
    writeFileSync(join(data, SETTINGS_FILE), JSON.stringify(settings));
    const { out, status } = calc('offset', '--json', '--defocus-um', '-18');
    expect(status).toBe(0);
    const figures = JSON.parse(out);
    expect(figures.blurPx).toBeCloseTo(18 / 2.8 / 4.4, 9);
    // k dz / N over λf/p, per mark: k = 0.2122 (2 + tan 20°), spots at 75.43 µm.
    expect(figures.marks).toBeCloseTo((0.2122 * (2 + Math.tan(Math.PI / 9)) * 18) / 2.8 / 75.43 / 0.05, 2);
    expect(figures.focusedAtM).toBeNull();
    expect(calc('offset', '--defocus-um', '-18').out).toMatch(/^On the ring {2,}0\.\d+ marks$/m);
  });
});
