import { readFileSync } from 'node:fs';
import sharp from 'sharp';
import { expect, test } from 'vitest';

const folder = new URL('../../../samples/frames/', import.meta.url);
const lines = readFileSync(new URL('truth.jsonl', folder), 'utf8').trim().split('\n');
const truths = lines.map((line) => JSON.parse(line));

test('twelve sample frames, three without a pattern', () => {
  expect(truths.length).toBe(12);
  expect(truths.filter(({ pattern }) => !pattern).length).toBe(3);
});

test.each(truths.filter(({ pattern }) => pattern))('$file: bright where its truth says the star is', async (known) => {
  const bytes = readFileSync(new URL(known.file, folder));
  const { data, info } = await sharp(bytes).greyscale().raw().toBuffer({ resolveWithObject: true });
  expect([info.width, info.height]).toEqual([1024, 680]);
  const at = Math.round(known.starYPx) * info.width + Math.round(known.starXPx);
  const median = [...data].sort((a, b) => a - b)[data.length >> 1];
  expect(data[at]).toBeGreaterThan(median + 50);
  expect(known.offsetPx * known.pixelUm).toBeCloseTo((known.k * known.dzUm) / known.N, 9);
});
