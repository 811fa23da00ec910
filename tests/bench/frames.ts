/**
 * The bench's frames as a program receives them: JPEG bytes, with what is true of them. Drawing one costs
 * many times what measuring it does, so that they are kept (node_modules/.cache), each under all that it comes from.
 */
import { createHash } from 'node:crypto';
import { mkdirSync, readdirSync, readFileSync, renameSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import sharp from 'sharp';
import type { PixelImage } from '../../core/frame.ts';
import { expose } from '../../core/simulator/expose.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { type Scene, type Truth, truth } from '../../core/simulator/scene.ts';
import { encodeJpeg } from '../support/encode.ts';
import { blurredPeaks, hasSourceExtractor, sourceExtractor } from './baselines.ts';
import { type JpegNoise, type Limit, sceneLimit } from './bound.ts';
import type { BenchScene } from './scenes.ts';

export interface Known {
  truth: Truth;
  /** For the frame's pixels, as all lengths here. */
  limit: Limit;
  /** Offsets the outside methods find, px, null where they miss a spot. */
  baselines: { blurredPeaks: number | null; sourceExtractor: number | null };
}

export interface BenchFrame extends Known {
  jpeg: Buffer;
  image: PixelImage;
}

const CACHE = fileURLToPath(new URL('../../node_modules/.cache/nightring-bench/', import.meta.url));
const HERE = fileURLToPath(new URL('.', import.meta.url));
let sources: string | undefined;

/** Of the optics the fit's own: no frame is made by it. */
const FITS_ALONE = 'lineSpread.ts';

/** What frames are made by: the simulator's code and the bench's own. */
function sourcesHash(): string {
  if (sources) return sources;
  const hash = createHash('sha1').update(`${hasSourceExtractor()}`);
  for (const folder of ['../../core/simulator/', '../../core/optics/'])
    for (const name of readdirSync(join(HERE, folder)).sort())
      if (name !== FITS_ALONE) hash.update(readFileSync(join(HERE, folder, name)));
  for (const name of ['frames.ts', 'bound.ts', 'baselines.ts', '../support/encode.ts', '../../core/pattern/solve.ts'])
    hash.update(readFileSync(join(HERE, name)));
  sources = hash.digest('hex');
  return sources;
}

/** The frame of a scene, drawn or as kept. */
export async function frameOf(scene: BenchScene): Promise<BenchFrame> {
  const name = createHash('sha1').update(sourcesHash()).update(JSON.stringify(scene)).digest('hex');
  try {
    const jpeg = readFileSync(join(CACHE, `${name}.jpg`));
    const known: Known = JSON.parse(readFileSync(join(CACHE, `${name}.json`), 'utf8'));
    // JSON has no NaN.
    for (const key of ['boundPx', 'rawBoundPx'] as const) known.limit[key] ??= Number.NaN;
    return { ...known, jpeg, image: await decoded(jpeg) };
  } catch {
    const frame = await draw(scene);
    const { jpeg, image, ...known } = frame;
    mkdirSync(CACHE, { recursive: true });
    keep(`${name}.json`, JSON.stringify(known));
    keep(`${name}.jpg`, jpeg);
    return frame;
  }
}

/** Written beside and renamed: several threads and runs share the folder. */
function keep(name: string, content: string | Buffer): void {
  const beside = join(CACHE, `${name}.${process.pid}.${Math.random()}`);
  writeFileSync(beside, content);
  renameSync(beside, join(CACHE, name));
}

async function draw(scene: BenchScene): Promise<BenchFrame> {
  const exposed = expose(renderNoiseFree(scene), scene);
  const shown = await enlarged(exposed, scene.enlarge);
  const jpeg = await encodeJpeg(shown, scene.jpegQuality);
  const image = await decoded(jpeg);
  const seen = asSeen(scene);
  const { boundPx, rawBoundPx, spotSnr } = sceneLimit(scene, jpegNoise(shown, image, scene));
  return {
    jpeg,
    image,
    truth: truth(seen),
    limit: { boundPx: boundPx * scene.enlarge, rawBoundPx: rawBoundPx * scene.enlarge, spotSnr },
    baselines: { blurredPeaks: blurredPeaks(image, seen), sourceExtractor: sourceExtractor(image, seen) },
  };
}

/** The scene as it stands in the enlarged picture: places and lengths in that picture's pixels. */
export function asSeen(scene: BenchScene): Scene {
  const { enlarge } = scene;
  const place = (px: number) => (px + 0.5) * enlarge - 0.5;
  return {
    ...scene,
    widthPx: scene.widthPx * enlarge,
    heightPx: scene.heightPx * enlarge,
    pixelUm: scene.pixelUm / enlarge,
    star: { ...scene.star, xPx: place(scene.star.xPx), yPx: place(scene.star.yPx) },
    trailXPx: scene.trailXPx * enlarge,
    trailYPx: scene.trailYPx * enlarge,
  };
}

/** Live view magnified: the sensor's pixels, a whole number of times larger. */
export async function enlarged(image: PixelImage, times: number): Promise<PixelImage> {
  if (times === 1) return image;
  const [widthPx, heightPx] = [image.widthPx * times, image.heightPx * times];
  const data = await sharp(image.data as Uint8Array, {
    raw: { width: image.widthPx, height: image.heightPx, channels: 3 },
  })
    .resize(widthPx, heightPx, { kernel: 'cubic', fit: 'fill' })
    .raw()
    .toBuffer();
  return { ...image, widthPx, heightPx, data };
}

export async function decoded(jpeg: Buffer): Promise<PixelImage> {
  const { data, info } = await sharp(jpeg).raw().toBuffer({ resolveWithObject: true });
  return { widthPx: info.width, heightPx: info.height, channels: 3, data, maxValue: 255, transfer: 'srgb' };
}

/** Values 0…255 are taken together in so many groups. */
const GROUPS = 16;
const FEWEST = 30;

/** What JPEG did to the pattern's surroundings; of an enlarged picture to the mean of the pixels that were one. */
function jpegNoise(before: PixelImage, after: PixelImage, scene: BenchScene): JpegNoise {
  const { enlarge, widthPx, heightPx, star } = scene;
  const { spotDistancePx } = truth(scene);
  const sums = Array.from({ length: 3 }, () => new Float64Array(GROUPS));
  const counts = Array.from({ length: 3 }, () => new Float64Array(GROUPS));
  const mean = ({ data }: PixelImage, x: number, y: number, channel: number) => {
    let sum = 0;
    for (let dy = 0; dy < enlarge; dy++)
      for (let dx = 0; dx < enlarge; dx++)
        sum += data[3 * ((y * enlarge + dy) * widthPx * enlarge + x * enlarge + dx) + channel];
    return sum / enlarge ** 2;
  };
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x++) {
      const r = Math.hypot(x - star.xPx, y - star.yPx) / spotDistancePx;
      if (r < 0.5 || r > 1.75) continue;
      for (let c = 0; c < 3; c++) {
        const value = mean(before, x, y, c);
        const group = Math.floor((value / 256) * GROUPS);
        sums[c][group] += (mean(after, x, y, c) - value) ** 2;
        counts[c][group]++;
      }
    }
  // Groups with few pixels take in their neighbours.
  const variance = sums.map((sum, c) =>
    sum.map((_, group) => {
      for (let reach = 0; reach < GROUPS; reach++) {
        const near = (list: Float64Array) =>
          list.subarray(Math.max(0, group - reach), group + reach + 1).reduce((a, b) => a + b, 0);
        if (near(counts[c]) >= FEWEST) return near(sum) / near(counts[c]);
      }
      return 0;
    }),
  );
  return (value, channel) => variance[channel][Math.min(GROUPS - 1, Math.floor((value / 256) * GROUPS))];
}
