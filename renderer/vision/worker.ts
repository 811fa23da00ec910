/**
 * Vision worker: decoded frame in, reading and pictures out. Nothing else runs here, so that a
 * slow frame never delays the keyboard.
 */
import type { Reading } from '../../core/measurement.ts';
import { LiveMeasurer } from '../../core/pattern/live.ts';
import { measure } from '../../core/pattern/measure.ts';
import { pixelsOf } from './pixels.ts';
import type { VisionMessage, VisionRequest } from './protocol.ts';
import { starShot } from './stars.ts';
import { type Region, regionOf, viewsOf } from './view.ts';

// The page's TypeScript library knows window, not the worker's scope; these two are all we need of it.
const scope = self as unknown as {
  postMessage(message: VisionMessage, transfer?: Transferable[]): void;
  onmessage: ((event: MessageEvent<VisionRequest>) => void) | null;
};

/** The whole frame is shown now and then, as all its pixels are made for it; the close-up is what counts. */
const WHOLE_EVERY_MS = 240;
let wholeMs = Number.NEGATIVE_INFINITY;

/** How long the close-up stays where the star was last seen, ms. */
const KEEP_REGION_MS = 3000;
let region: Region | null = null;
let seenMs = 0;

/** The part of a frame to be shown large: round the star, or where it was a moment ago. */
function follow(reading: Reading, nowMs: number): Region | null {
  const seen = regionOf(reading);
  if (seen) {
    region = seen;
    seenMs = nowMs;
  } else if (nowMs - seenMs > KEEP_REGION_MS) region = null;
  return region;
}

let live = new LiveMeasurer();

async function look({ header, picture, decodeMs, optics, tint }: VisionRequest): Promise<void> {
  const start = performance.now();
  const image = await pixelsOf(picture);
  const copied = performance.now();
  // A still has its own scale and place; live view goes on from where it was.
  const still = header.mode.kind === 'still';
  if (header.anew) live = new LiveMeasurer();
  const reading = still ? measure(image, optics) : live.measure(image, optics);
  const measured = performance.now();
  const bare = still && reading.status === 'no-pattern';
  const stars = bare ? starShot(image, { ...optics, exposureS: header.mode.exposureS ?? null }, tint) : null;
  const part = still ? regionOf(reading) : follow(reading, measured);
  const showWhole = still || measured - wholeMs > WHOLE_EVERY_MS;
  if (showWhole) wholeMs = still ? Number.NEGATIVE_INFINITY : measured;
  const views = viewsOf(image, part, tint, showWhole);
  const timings = { decodeMs: decodeMs + copied - start, measureMs: measured - copied };
  scope.postMessage(
    { type: 'reading', header, optics, reading, region: part, ...views, stars, ...timings },
    [views.closeUp, views.whole, ...(stars?.crops ?? [])].flatMap((view) => (view ? [view.data.buffer] : [])),
  );
}

// One after the other: a frame may come while another one's pixels are being copied.
let before = Promise.resolve();
scope.onmessage = ({ data }) => {
  before = before
    .then(() => look(data))
    .catch((error: Error) => {
      scope.postMessage({ type: 'unreadable', header: data.header, reason: error.message });
    });
};
