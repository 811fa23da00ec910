/**
 * The measurement against truth, physical limit and outside methods. `npm run bench -- --help` lists the options.
 * A new seed gives new frames.
 */
import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { Command, InvalidArgumentError } from 'commander';
import { benchFaint } from './faint.ts';
import { type Job, runJobs } from './jobs.ts';
import { benchLive, type LiveFigures } from './live.ts';
import { benchMemory } from './memory.ts';
import { NEGATIVE_KINDS } from './negatives.ts';
import { print, type Report, summary } from './report.ts';
import { FAMILIES, GRID_FRAMES } from './scenes.ts';
import { benchSpeed } from './speed.ts';
import { writeWorst } from './worst.ts';

// Two benches of the camera's chain have options of their own.
const [command, ...rest] = process.argv.slice(2);
if (command === 'throughput' || command === 'soak') {
  const { main } = await import(`./${command}.ts`);
  await main(rest).catch(({ message }: Error) => {
    console.error(message);
    process.exit(1);
  });
  process.exit();
}

const PARTS = ['families', 'grid', 'negatives', 'faint', 'speed', 'live', 'memory'] as const;
type Part = (typeof PARTS)[number];

const options = new Command('npm run bench --')
  .option('--families <names>', `some families only, of ${FAMILIES.map(({ name }) => name).join(', ')}`, names)
  .option('--parts <names>', `of ${PARTS.join(', ')} (default all but memory; with --families these alone)`, parts)
  .option('--frames <n>', 'frames of each family and seed (default 10)', wholeNumber)
  .option('--negatives <n>', 'frames of each kind without a pattern, per seed (default 19)', wholeNumber)
  .option('--memory <n>', 'frames to measure for the memory part (default 100000)', wholeNumber)
  .option('--seed <s>', 'one seed instead of two (default 1 and 2)', wholeNumber)
  .option('--quick', 'one seed, four frames of each family, one negative of each kind, no live chain')
  .option('--worst <n>', 'write the worst n frames as pictures', wholeNumber)
  .option('--out <folder>', 'where to', 'worst')
  .option('--json', 'one JSON document instead of tables')
  .addHelpText(
    'after',
    '\nOf the camera’s chain: npm run bench -- throughput, npm run bench -- soak; each with --help.',
  )
  .parse()
  .opts<{
    families?: string[];
    parts?: Part[];
    frames?: number;
    negatives?: number;
    memory?: number;
    seed?: number;
    quick?: true;
    worst?: number;
    out: string;
    json?: true;
  }>();
const chosen: readonly Part[] =
  options.parts ??
  (options.families ? ['families'] : PARTS.filter((part) => part !== 'memory' && !(options.quick && part === 'live')));
const frames = options.frames ?? (options.quick ? 4 : 10);
const negatives = NEGATIVE_KINDS.length * (options.negatives ?? (options.quick ? 1 : 19));
const seeds = options.seed !== undefined ? [options.seed] : options.quick ? [1] : [1, 2];

const jobs: Job[] = seeds.flatMap((seed) => [
  ...(chosen.includes('families') ? (options.families ?? FAMILIES.map(({ name }) => name)) : []).flatMap((family) =>
    numbers(frames, { kind: 'family', family, seed } as const),
  ),
  ...(chosen.includes('negatives') ? numbers(negatives, { kind: 'negative', seed } as const) : []),
]);
if (chosen.includes('grid')) jobs.push(...numbers(GRID_FRAMES, { kind: 'grid', seed: seeds[0] } as const));

const started = performance.now();
const seconds = () => ((performance.now() - started) / 1000).toFixed(0);
const done = await runJobs(jobs, tenths(jobs.length));
const report: Report = summary(done, seeds);
if (chosen.includes('faint')) {
  // A seed of the bench stands for several stars.
  const stars = seeds.flatMap((seed) => Array.from({ length: options.quick ? 2 : 6 }, (_, i) => 100 * seed + i));
  report.faint = await benchFaint(stars, (done) => console.error(`${done} of 4 faint stars, ${seconds()} s`));
}
// One at a time, as what follows is timed.
if (chosen.includes('speed')) report.speed = await benchSpeed();
if (chosen.includes('memory')) report.memory = await benchMemory(options.memory, tenths(options.memory ?? 100_000));
if (chosen.includes('live')) report.live = await liveChain();
if (options.json) console.log(JSON.stringify(report, null, 1));
else print(report);
if (options.worst) await writeWorst(done, options.worst, options.out);
console.error(`${seconds()} s in all`);

function wholeNumber(text: string): number {
  const value = Number(text);
  if (!Number.isInteger(value) || value < 1) throw new InvalidArgumentError('It must be a whole number above 0.');
  return value;
}

function chosenFrom<T extends string>(text: string, known: readonly T[]): T[] {
  const list = text.split(',') as T[];
  const strange = list.find((name) => !known.includes(name));
  if (strange !== undefined) throw new InvalidArgumentError(`"${strange}" is none of ${known.join(', ')}.`);
  return list;
}

function names(text: string): string[] {
  return chosenFrom(
    text,
    FAMILIES.map(({ name }) => name),
  );
}

function parts(text: string): Part[] {
  return chosenFrom(text, PARTS);
}

function numbers<T extends object>(length: number, job: T): (T & { index: number })[] {
  return Array.from({ length }, (_, index) => ({ ...job, index }));
}

/** One line on the error output for every tenth done. */
function tenths(total: number): (finished: number) => void {
  let told = 0;
  return (finished) => {
    const now = Math.floor((10 * finished) / total);
    if (now === told) return;
    told = now;
    console.error(`${finished} of ${total} frames, ${seconds()} s`);
  };
}

async function liveChain(): Promise<LiveFigures | string> {
  if (!existsSync(fileURLToPath(new URL('../../dist/index.html', import.meta.url))))
    return 'skipped: the interface is not built; run "npm run build"';
  console.error('live chain, 20 s');
  try {
    return await benchLive(15);
  } catch (error) {
    return `skipped: ${error instanceof Error ? error.message.split('\n')[0] : error}`;
  }
}
