/** `nightring stars` as a user meets it. */
import { execFile } from 'node:child_process';
import { mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { expose } from '../../core/simulator/expose.ts';
import { fieldScene, SHARP, seededField } from '../../core/simulator/field.ts';
import { encodeJpeg } from '../support/encode.ts';

const BIN = join(import.meta.dirname, '..', '..', 'bin', 'nightring.mjs');
let folder: string;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'nightring-stars-'));
  const shot = (blur: Partial<typeof SHARP>, seed: number) => {
    const scene = fieldScene({ widthPx: 660, heightPx: 440, seed, fullWellE: 2500 });
    return encodeJpeg(expose(seededField(scene, 170, 1200, { ...SHARP, ...blur }).light, scene), 95);
  };
  await writeFile(join(folder, 'before.jpg'), await shot({ trailXPx: 5, trailYPx: 0 }, 3));
  await writeFile(join(folder, 'after.jpg'), await shot({}, 3));
});
afterAll(() => rm(folder, { recursive: true }));

function run(...args: string[]): Promise<{ code: number; out: string }> {
  return new Promise((resolve) =>
    execFile(process.execPath, [BIN, 'stars', ...args], { cwd: folder, maxBuffer: 1 << 24 }, (error, out) =>
      resolve({ code: (error?.code as number | undefined) ?? 0, out }),
    ),
  );
}

test('one line per image, the second compared with the first', async () => {
  const { code, out } = await run(
    '--exposure-s',
    '20',
    '--focal-mm',
    '24',
    '--pixel-um',
    '4',
    'before.jpg',
    'after.jpg',
  );
  expect(code).toBe(0);
  const [before, after] = out.trim().split('\n');
  // 24 mm, 20 s, 4 µm: up to 8.75 px on the celestial equator (15.041 arc seconds a second).
  expect(before).toMatch(
    /^before\.jpg +1\d\d stars .*Stars are [45]\.\d px long, the sky's turning gives up to 8\.[78] px/,
  );
  expect(after).toMatch(/^after\.jpg .*Sharper than before/);
});

test('JSON holds every star; what cannot be read is said, and the exit status tells', async () => {
  const { code, out } = await run('--json', 'after.jpg', 'missing.jpg');
  expect(code).toBe(1);
  const [after, missing] = out
    .trim()
    .split('\n')
    .map((line) => JSON.parse(line));
  expect(after).toMatchObject({ file: 'after.jpg', status: 'mapped', comparison: null });
  expect(after.map.cells).toHaveLength(9);
  expect(after.list.stars.length).toBe(after.map.stars);
  expect(after.list.stars[0]).toMatchObject({ xPx: expect.any(Number), hfrPx: expect.any(Number) });
  expect(missing).toMatchObject({ file: 'missing.jpg', status: 'unreadable' });
});
