/** The bench's work in small pieces. */
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

/** Runs the jobs one after the other: times are then fair. @param progress is told how many are done */
export async function runJobs(jobs: Job[], progress: (done: number) => void): Promise<Done[]> {
  const cv = await loadCv();
  // Code is compiled as it is used: the first frames are not typical.
  for (let i = 0; i < 2; i++) await tryScene(cv, drawScene(FAMILIES[0], 1000 + i, 1), false);
  const done: Done[] = [];
  for (const job of jobs) {
    done.push(await run(cv, job));
    progress(done.length);
  }
  return done;
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
