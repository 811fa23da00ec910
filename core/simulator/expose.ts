/** The camera: from expected electrons to the pixels of a picture. */
import type { PixelImage } from '../frame.ts';
import { srgbEncode } from '../optics/transfer.ts';
import { type Random, seededRandom } from './random.ts';
import type { LinearRgb } from './render.ts';
import type { Scene } from './scene.ts';

/** Steps of the tone table between no light and white. */
export const TONE_STEPS = 4096;

/** The camera's curve: light (0…1) to the value stored (0…1). */
export function toned(tone: Scene['tone'], light: number): number {
  const value = srgbEncode(light);
  // The contrast curve: a smooth step mixed in equally.
  return tone === 'srgb' ? value : 0.5 * value + 0.5 * value * value * (3 - 2 * value);
}

/** Encoded 8-bit value for light in steps of 1 / TONE_STEPS. */
export function toneTable(tone: Scene['tone']): Uint8Array {
  return Uint8Array.from({ length: TONE_STEPS + 1 }, (_, i) => Math.round(255 * toned(tone, i / TONE_STEPS)));
}

/** One exposure as a camera stores it: sharpening, tone curve, 8 bits. */
export function expose(noiseFree: LinearRgb, scene: Scene, random: Random = seededRandom(scene.seed)): PixelImage {
  const { widthPx, heightPx } = noiseFree;
  const size = widthPx * heightPx;
  const signal = signalOf(noiseFree, scene, random);
  if (scene.sharpen > 0) for (let c = 0; c < 3; c++) signal[c] = sharpened(signal[c], widthPx, heightPx, scene.sharpen);
  const table = toneTable(scene.tone);
  const data = new Uint8Array(3 * size);
  for (let at = 0; at < size; at++)
    for (let c = 0; c < 3; c++) {
      const light = signal[c][at];
      data[3 * at + c] = light <= 0 ? table[0] : light >= 1 ? table[TONE_STEPS] : table[(light * TONE_STEPS + 0.5) | 0];
    }
  return { widthPx, heightPx, channels: 3, data, maxValue: 255, transfer: 'srgb' };
}

/** The same exposure as camera raw is decoded: linear, 16 bits. */
export function exposeRaw(noiseFree: LinearRgb, scene: Scene, random: Random = seededRandom(scene.seed)): PixelImage {
  const { widthPx, heightPx } = noiseFree;
  const signal = signalOf(noiseFree, scene, random);
  const data = new Uint16Array(3 * widthPx * heightPx);
  for (let i = 0; i < data.length; i++) data[i] = Math.round(65535 * Math.max(0, signal[i % 3][Math.floor(i / 3)]));
  return { widthPx, heightPx, channels: 3, data, maxValue: 65535, transfer: 'linear' };
}

/**
 * What the sensor gives, share of white: photon noise, hot pixels, colour mosaic and its interpolation, read noise,
 * banding, saturation at full well.
 */
function signalOf(noiseFree: LinearRgb, scene: Scene, random: Random): Float32Array[] {
  const { widthPx, heightPx, planes } = noiseFree;
  const size = widthPx * heightPx;
  const hot = hotPixelMap(scene, size);
  const signal: Float32Array[] = planes.map(() => new Float32Array(size));
  for (let y = 0; y < heightPx; y++) {
    const band = scene.bandingE > 0 ? scene.bandingE * random.gauss() : 0;
    for (let x = 0; x < widthPx; x++) {
      const at = y * widthPx + x;
      const extra = hot?.get(at) ?? 0;
      const only = scene.bayer ? bayerColour(x, y) : -1;
      for (let c = 0; c < 3; c++) {
        if (only !== -1 && c !== only) continue;
        const electrons = random.poisson(planes[c][at] + extra) + scene.readNoiseE * random.gauss() + band;
        signal[c][at] = Math.min(1, electrons / scene.fullWellE + scene.pedestal);
      }
    }
  }
  if (scene.bayer) interpolateMosaic(signal, widthPx, heightPx);
  return signal;
}

/** Extra electrons by pixel index; the same pixels for the same seed whatever else is random. */
function hotPixelMap(scene: Scene, size: number): Map<number, number> | null {
  if (scene.hotPixels === 0) return null;
  const random = seededRandom(scene.seed ^ 0x5bd1e995);
  const hot = new Map<number, number>();
  for (let i = 0; i < scene.hotPixels; i++)
    hot.set(Math.floor(random.uniform() * size), scene.hotPixelE * random.uniform());
  return hot;
}

/** Colour at a place of the mosaic: red, green / green, blue. */
function bayerColour(x: number, y: number): number {
  return (x & 1) + (y & 1);
}

/** Fills the missing colours by the mean of the nearest neighbours of that colour (bilinear). */
function interpolateMosaic(signal: Float32Array[], widthPx: number, heightPx: number): void {
  for (let c = 0; c < 3; c++) {
    const plane = signal[c];
    for (let y = 0; y < heightPx; y++)
      for (let x = 0; x < widthPx; x++) {
        if (bayerColour(x, y) === c) continue;
        let sum = 0;
        let count = 0;
        for (let dy = -1; dy <= 1; dy++)
          for (let dx = -1; dx <= 1; dx++) {
            const [xx, yy] = [x + dx, y + dy];
            if (xx < 0 || yy < 0 || xx >= widthPx || yy >= heightPx || bayerColour(xx, yy) !== c) continue;
            sum += plane[yy * widthPx + xx];
            count++;
          }
        plane[y * widthPx + x] = sum / count;
      }
  }
}

/** Unsharp mask: adds `amount` of the difference from a 3 × 3 (1 2 1) blur. */
function sharpened(plane: Float32Array, widthPx: number, heightPx: number, amount: number): Float32Array {
  const out = new Float32Array(plane.length);
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x++) {
      let blurred = 0;
      for (let dy = -1; dy <= 1; dy++)
        for (let dx = -1; dx <= 1; dx++) {
          const xx = Math.min(widthPx - 1, Math.max(0, x + dx));
          const yy = Math.min(heightPx - 1, Math.max(0, y + dy));
          blurred += (plane[yy * widthPx + xx] * (2 - Math.abs(dx)) * (2 - Math.abs(dy))) / 16;
        }
      const at = y * widthPx + x;
      out[at] = plane[at] + amount * (plane[at] - blurred);
    }
  return out;
}
