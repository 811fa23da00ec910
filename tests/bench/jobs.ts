/** The bench's work in small pieces, spread over threads; each has an OpenCV of its own. */
import { once } from 'node:events';
import { availableParallelism } from 'node:os';
import { parentPort, Worker } from 'node:worker_threads';
import { type Cv, loadCv } from '../../core/pattern/cv.ts';
import { measure } from '../../core/pattern/measure.ts';
import { type Timed, type Trial, timed, tryScene, UNKNOWN_OPTICS } from './measurement.ts';
import { drawNegative } from './negatives.ts';
import { drawGridScene, drawScene, FAMILIES } from './scenes.ts';

export type Job = { seed: number; index: number } & (
  | { kind: 'family'; family: string }
  | { kind: 'grid' }
  | { kind: 'negative' }
);

export interface Done {
  job: Job;
  /** Of a frame with a pattern. */
  trial?: Trial;
  /** Of a frame without one: what it shows, and what was made of it. */
  negative?: { shows: string } & Timed;
}

/** Runs the jobs on all cores. @param progress is told how many are done */
export async function runJobs(jobs: Job[], progress: (done: number) => void): Promise<Done[]> {
  const waiting = [...jobs];
  const done: Done[] = [];
  const threads = Array.from({ length: Math.min(availableParallelism(), jobs.length) }, async () => {
    const worker = new Worker(new URL(import.meta.url));
    try {
      for (let job = waiting.shift(); job; job = waiting.shift()) {
        worker.postMessage(job);
        const [message] = await once(worker, 'message');
        done.push(message);
        progress(done.length);
      }
    } finally {
      await worker.terminate();
    }
  });
  await Promise.all(threads);
  return done;
}

if (parentPort) {
  const port = parentPort;
  const ready = loadCv().then(async (cv) => {
    // Code is compiled as it is used: the first frames are not typical.
    for (let i = 0; i < 2; i++) await tryScene(cv, drawScene(FAMILIES[0], 1000 + i, 1), false);
    return cv;
  });
  port.on('message', async (job: Job) => port.postMessage(await run(await ready, job)));
}

async function run(cv: Cv, job: Job): Promise<Done> {
  if (job.kind === 'negative') {
    const { kind, image } = await drawNegative(job.index, job.seed);
    return { job, negative: { shows: kind, ...timed(() => measure(cv, image, UNKNOWN_OPTICS)) } };
  }
  if (job.kind === 'grid') return { job, trial: await tryScene(cv, drawGridScene(job.index, job.seed), false) };
  const family = FAMILIES.find(({ name }) => name === job.family)!;
  return { job, trial: await tryScene(cv, drawScene(family, job.index, job.seed), true) };
}
