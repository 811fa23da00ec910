/** The bench's work in small pieces, spread over threads; each with what measuring keeps of its own. */
import { once } from 'node:events';
import { availableParallelism } from 'node:os';
import { parentPort, Worker } from 'node:worker_threads';
import { measure } from '../../core/pattern/measure.ts';
import { type Timed, type Trial, timed, tryScene, UNKNOWN_OPTICS } from './measurement.ts';
import { drawNegative, rightReasons } from './negatives.ts';
import { type BenchScene, drawGridScene, drawScene, FAMILIES, familyNamed } from './scenes.ts';

export type Job = { seed: number; index: number } & (
  | { kind: 'family'; family: string }
  | { kind: 'grid' }
  | { kind: 'negative' }
);

export interface Done {
  job: Job;
  /** Of a frame with a pattern. */
  trial?: Trial;
  /** Of a frame without one: what it shows, what was made of it, and whether that is right. */
  negative?: { shows: string; isRight: boolean } & Timed;
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

export function sceneOf(job: Job): BenchScene {
  if (job.kind === 'family') return drawScene(familyNamed(job.family), job.index, job.seed);
  return drawGridScene(job.index, job.seed);
}

if (parentPort) {
  const port = parentPort;
  const warmUp = async () => {
    // Code is compiled as it is used: the first frames are not typical.
    for (let i = 0; i < 2; i++) await tryScene(drawScene(FAMILIES[0], 1000 + i, 1));
  };
  const ready = warmUp();
  port.on('message', async (job: Job) => {
    await ready;
    port.postMessage(await run(job));
  });
}

async function run(job: Job): Promise<Done> {
  if (job.kind !== 'negative') return { job, trial: await tryScene(sceneOf(job)) };
  const { kind, image } = await drawNegative(job.index, job.seed);
  const seen = timed(() => measure(image, UNKNOWN_OPTICS));
  const isRight = seen.reading.status === 'no-pattern' && rightReasons(kind).includes(seen.reading.reason);
  return { job, negative: { shows: kind, isRight, ...seen } };
}
