/** The frames measured worst, as pictures to look at: what is true drawn green, what was measured red. */
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import sharp from 'sharp';
import { roughPlaces } from './baselines.ts';
import { asSeen, frameOf } from './frames.ts';
import { type Done, sceneOf } from './jobs.ts';
import { errorPx, isSignError, type Trial } from './measurement.ts';
import { drawNegative } from './negatives.ts';

const SIDE = 720;
const CAPTION = 120;

/** How bad a frame is: claims and wrong signs first, then what was not found, then the error over the bound. */
function badness({ negative, trial }: Done): number {
  if (negative) return negative.reading.status === 'measured' ? 3e9 : 0;
  const { reading } = trial!.learned;
  if (isSignError(trial!.truth, reading)) return 2e9;
  if (reading.status !== 'measured') return reading.reason === 'too-far' || trial!.limit.spotSnr < 5 ? 0 : 1e9;
  const error = errorPx(trial!, 'learned');
  return error === null ? 0 : Math.abs(error) / trial!.limit.boundPx || 0;
}

/** Writes the `count` worst as PNG into `folder`. */
export async function writeWorst(all: Done[], count: number, folder: string): Promise<void> {
  mkdirSync(folder, { recursive: true });
  const worst = [...all].sort((a, b) => badness(b) - badness(a)).slice(0, count);
  for (const [rank, done] of worst.entries()) {
    const name = `${String(rank + 1).padStart(2, '0')}-${nameOf(done)}.png`;
    const { job } = done;
    const { image, trial, marks } = done.trial
      ? { image: (await frameOf(sceneOf(job))).image, trial: done.trial, marks: marksOf(done, done.trial) }
      : { image: (await drawNegative(job.index, job.seed)).image, trial: null, marks: [] };
    const [x, y, reach] = trial
      ? [trial.truth.starXPx, trial.truth.starYPx, 1.8 * trial.truth.spotDistancePx + 6]
      : [image.widthPx / 2, image.heightPx / 2, image.heightPx / 2];
    const left = Math.max(0, Math.floor(x - reach));
    const top = Math.max(0, Math.floor(y - reach));
    const width = Math.min(image.widthPx, Math.ceil(x + reach)) - left;
    const height = Math.min(image.heightPx, Math.ceil(y + reach)) - top;
    const scale = SIDE / Math.max(width, height);
    const cross = marks.map(({ xPx, yPx, colour }) => {
      const [cx, cy] = [(xPx + 0.5 - left) * scale, (yPx + 0.5 - top) * scale];
      return `<path d="M${cx - 9} ${cy}h18M${cx} ${cy - 9}v18" stroke="${colour}" stroke-width="1.5"/>`;
    });
    const text = captionOf(done).map(
      (line, i) =>
        `<text x="8" y="${SIDE + 20 + 18 * i}" font-size="14" font-family="sans-serif" fill="#ddd">${line}</text>`,
    );
    const overlay = `<svg xmlns="http://www.w3.org/2000/svg" width="${SIDE}" height="${SIDE + CAPTION}">${cross.join('')}${text.join('')}</svg>`;
    const picture = await sharp(image.data as Uint8Array, {
      raw: { width: image.widthPx, height: image.heightPx, channels: 3 },
    })
      .extract({ left, top, width, height })
      .resize(Math.round(width * scale), Math.round(height * scale), { kernel: 'nearest', fit: 'fill' })
      .png()
      .toBuffer();
    await sharp({ create: { width: SIDE, height: SIDE + CAPTION, channels: 3, background: '#111' } })
      .composite([
        { input: picture, left: 0, top: 0 },
        { input: Buffer.from(overlay), left: 0, top: 0 },
      ])
      .png()
      .toFile(join(folder, name));
    console.error(`${name}  ${captionOf(done).join('; ')}`);
  }
}

function nameOf({ job, negative }: Done): string {
  const kind = job.kind === 'family' ? job.family : (negative?.shows.replaceAll(' ', '-') ?? job.kind);
  return `${kind}-${job.seed}-${job.index}`;
}

function marksOf({ job }: Done, { learned }: Trial): { xPx: number; yPx: number; colour: string }[] {
  const right = Object.values(roughPlaces(asSeen(sceneOf(job)))).flat();
  const found = learned.reading.status === 'measured' ? learned.reading.spots : [];
  return [
    ...right.map(({ x, y }) => ({ xPx: x, yPx: y, colour: '#0f0' })),
    ...found.map(({ xPx, yPx }) => ({ xPx, yPx, colour: '#f44' })),
  ];
}

function captionOf(done: Done): string[] {
  const reading = (done.trial?.learned ?? done.negative!).reading;
  const seen =
    reading.status === 'measured'
      ? `measured ${reading.offsetPx.toFixed(3)} ± ${reading.offsetSigmaPx.toFixed(3)} px, angle ${reading.middleAngleDeg.toFixed(1)}° ± ${reading.outerAngleDeg.toFixed(1)}°, distance ${reading.spotDistancePx.toFixed(1)} px, SNR ${reading.snr.toFixed(0)}`
      : `not measured: ${reading.reason}`;
  if (!done.trial) return [nameOf(done), 'no pattern here', seen];
  const { truth, limit } = done.trial;
  const scene = sceneOf(done.job);
  return [
    `${nameOf(done)}: ${truth.layout}, f/${scene.fNumber.toFixed(1)}, ${(truth.dzUm / (1.1 * truth.N ** 2)).toFixed(1)} depths of focus, JPEG ${scene.jpegQuality}`,
    `true ${truth.offsetPx.toFixed(3)} px, angle ${truth.middleAngleDeg.toFixed(1)}° ± ${truth.outerAngleDeg.toFixed(1)}°, distance ${truth.spotDistancePx.toFixed(1)} px, spot SNR ${limit.spotSnr.toFixed(0)}, bound ${limit.boundPx.toFixed(4)} px`,
    seen,
    `error / bound ${((errorPx(done.trial, 'learned') ?? Number.NaN) / limit.boundPx).toFixed(1)}`,
  ];
}
