import type { PixelImage } from '../frame.ts';
import { linearTable } from '../pattern/linear.ts';
import { median } from '../track/fit.ts';

export interface Box {
  x0: number;
  y0: number;
  widthPx: number;
  heightPx: number;
}

/** Linear light (sum of three channels, each 0…1) of a part of the picture, row-major, into `out`. */
export function lightOf(image: PixelImage, box: Box, out: Float32Array): void {
  const { data, channels, widthPx } = image;
  const table = linearTable(image);
  for (let y = 0, to = 0; y < box.heightPx; y++) {
    let from = ((box.y0 + y) * widthPx + box.x0) * channels;
    if (channels === 1) for (let x = 0; x < box.widthPx; x++) out[to++] = 3 * table[data[from++]];
    else
      for (let x = 0; x < box.widthPx; x++, from += channels)
        out[to++] = table[data[from]] + table[data[from + 1]] + table[data[from + 2]];
  }
}

/** Half a grey step at this light, all channels together: noise below it is the coding's, not the sky's. */
export function halfGreyStep(image: PixelImage, light: number): number {
  const table = linearTable(image);
  let value = 0;
  while (value < image.maxValue - 1 && 3 * table[value + 1] < light) value++;
  return 1.5 * (table[value + 1] - table[value]);
}

/** Share of white from which on a pixel counts as burnt out: encoders leave white a step or two lower. */
const WHITE = 0.985;

/** Whether any channel of a pixel is burnt out. */
export function isBurnt({ data, channels, widthPx, maxValue }: PixelImage, xPx: number, yPx: number): boolean {
  const at = (yPx * widthPx + xPx) * channels;
  for (let c = 0; c < Math.min(3, channels); c++) if (data[at + c] >= WHITE * maxValue) return true;
  return false;
}

const RING = Array.from({ length: 12 }, (_, i) => [Math.cos((i * Math.PI) / 6), Math.sin((i * Math.PI) / 6)]);

/** Share of the brightest channel in the light of the 3 × 3 pixels about a place, above the ring around; 1/3 is grey. */
export function brightestChannel(image: PixelImage, xPx: number, yPx: number, ringPx: number): number {
  const { data, channels, widthPx, heightPx } = image;
  if (channels === 1) return 1 / 3;
  const table = linearTable(image);
  const inside = (value: number, size: number) => Math.min(size - 1, Math.max(0, Math.round(value)));
  const above = [0, 1, 2].map((c) => {
    const light = (x: number, y: number) =>
      table[data[(inside(y, heightPx) * widthPx + inside(x, widthPx)) * channels + c]];
    let core = 0;
    for (let dy = -1; dy <= 1; dy++) for (let dx = -1; dx <= 1; dx++) core += light(xPx + dx, yPx + dy);
    return Math.max(0, core - 9 * median(RING.map(([x, y]) => light(xPx + ringPx * x, yPx + ringPx * y))));
  });
  const sum = above[0] + above[1] + above[2];
  return sum > 0 ? Math.max(...above) / sum : 1 / 3;
}
