/**
 * The measurement against truth, physical limit and outside methods. `npm run bench -- --help` lists the options.
 * A new seed gives new frames.
 */
import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { Command, InvalidArgumentError, Option } from 'commander';
import { hasSourceExtractor } from './baselines.ts';
import { type Done, type Job, runJobs } from './jobs.ts';
import { benchLive, type LiveFigures } from './live.ts';
import { medianSize, percentiles, type Row, rms, summarise, type Trial } from './measurement.ts';
import { NEGATIVE_KINDS } from './negatives.ts';
import { FAMILIES, GRID, GRID_FRAMES, gridPlace } from './scenes.ts';

const PARTS = ['grid', 'negatives', 'live', ...FAMILIES.map(({ name }) => name)];

const options = new Command('npm run bench --')
  .option('--frames <n>', 'frames of each family and seed (default 10)', wholeNumber)
  .option('--negatives <n>', 'frames without a pattern, per seed (default four of each kind)', wholeNumber)
  .option('--seed <s>', 'one seed instead of two (default 1 and 2)', wholeNumber)
  .addOption(new Option('--only <part>', 'one part').choices(PARTS))
  .option('--quick', 'three frames of each family, one negative of each kind, one seed, no live chain')
  .option('--json', 'one JSON document instead of tables')
  .parse()
  .opts<{ frames?: number; negatives?: number; seed?: number; only?: string; quick?: true; json?: true }>();
const frames = options.frames ?? (options.quick ? 3 : 10);
const negatives = options.negatives ?? NEGATIVE_KINDS.length * (options.quick ? 1 : 4);
const seeds = options.seed !== undefined ? [options.seed] : options.quick ? [1] : [1, 2];
const wanted = (part: string) => options.only === undefined || options.only === part;

const jobs: Job[] = seeds.flatMap((seed) => [
  ...FAMILIES.filter(({ name }) => wanted(name)).flatMap(({ name }) =>
    numbers(frames, { kind: 'family', family: name, seed } as const),
  ),
  ...(wanted('negatives') ? numbers(negatives, { kind: 'negative', seed } as const) : []),
]);
if (wanted('grid')) jobs.push(...numbers(GRID_FRAMES, { kind: 'grid', seed: seeds[0] } as const));

const started = performance.now();
const done = await runJobs(jobs, reporter(jobs.length));
const live = wanted('live') && !options.quick ? await liveChain() : null;
const report = summary(done);
if (options.json) console.log(JSON.stringify({ ...report, live }, null, 1));
else print(report, live);

function wholeNumber(text: string): number {
  const value = Number(text);
  if (!Number.isInteger(value) || value < 1) throw new InvalidArgumentError('It must be a whole number above 0.');
  return value;
}

function numbers<T extends object>(length: number, job: T): (T & { index: number })[] {
  return Array.from({ length }, (_, index) => ({ ...job, index }));
}

/** One line on the error output for every tenth done. */
function reporter(total: number): (finished: number) => void {
  let told = 0;
  return (finished) => {
    const tenths = Math.floor((10 * finished) / total);
    if (tenths === told) return;
    told = tenths;
    console.error(`${finished} of ${total} frames, ${((performance.now() - started) / 1000).toFixed(0)} s`);
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

interface Baseline {
  foundPercent: number;
  rmsOverBound: number;
  medianOverBound: number;
}

interface FamilyReport {
  family: string;
  seed: number;
  unknown: Row;
  known: Row;
  blurredPeaks: Baseline;
  /** null when the program is not installed. */
  sourceExtractor: Baseline | null;
}

interface Report {
  seeds: number[];
  families: FamilyReport[];
  /** The two rows of each seed over all families. */
  all: { seed: number; unknown: Row; known: Row }[];
  grid: { axis: keyof typeof GRID; value: number; row: Row }[];
  negatives: {
    shows: string;
    frames: number;
    claims: number;
    reasons: Record<string, number>;
    cpuMs: [number, number];
  }[];
}

function summary(all: Done[]): Report {
  const trialsOf = (pick: (job: Job) => boolean) =>
    all.flatMap(({ job, trial }) => (trial && pick(job) ? [trial] : []));
  const families = seeds.flatMap((seed) =>
    FAMILIES.filter(({ name }) => wanted(name)).map(({ name }): FamilyReport => {
      const trials = trialsOf((job) => job.kind === 'family' && job.family === name && job.seed === seed);
      return {
        family: name,
        seed,
        unknown: summarise(trials, 'unknown'),
        known: summarise(trials, 'known'),
        blurredPeaks: baseline(trials, 'blurredPeaks'),
        sourceExtractor: hasSourceExtractor() ? baseline(trials, 'sourceExtractor') : null,
      };
    }),
  );
  const grid = all.flatMap(({ job, trial }) =>
    trial && job.kind === 'grid' ? [{ place: gridPlace(job.index), trial }] : [],
  );
  const axes = Object.keys(GRID) as (keyof typeof GRID)[];
  return {
    seeds,
    families,
    all: seeds.map((seed) => {
      const trials = trialsOf((job) => job.kind === 'family' && job.seed === seed);
      return { seed, unknown: summarise(trials, 'unknown'), known: summarise(trials, 'known') };
    }),
    grid:
      grid.length === 0
        ? []
        : axes.flatMap((axis) =>
            GRID[axis].map((value) => {
              const there = grid.filter(({ place }) => place[axis] === value).map(({ trial }) => trial);
              return { axis, value, row: summarise(there, 'unknown') };
            }),
          ),
    negatives: NEGATIVE_KINDS.flatMap((shows) => {
      const seen = all.flatMap(({ negative }) => (negative?.shows === shows ? [negative] : []));
      if (seen.length === 0) return [];
      const reasons: Record<string, number> = {};
      for (const { reading } of seen)
        if (reading.status === 'no-pattern') reasons[reading.reason] = (reasons[reading.reason] ?? 0) + 1;
      const claims = seen.filter(({ reading }) => reading.status === 'measured').length;
      return [{ shows, frames: seen.length, claims, reasons, cpuMs: percentiles(seen.map(({ cpuMs }) => cpuMs)) }];
    }),
  };
}

function baseline(trials: Trial[], method: 'blurredPeaks' | 'sourceExtractor'): Baseline {
  const offsets = trials.map((trial) => ({ trial, offset: trial.baselines?.[method] ?? null }));
  const over = offsets.flatMap(({ trial: { truth, boundPx }, offset }) =>
    offset === null || truth.merged ? [] : [(offset - truth.offsetPx) / boundPx],
  );
  return {
    foundPercent: (100 * offsets.filter(({ offset }) => offset !== null).length) / trials.length,
    rmsOverBound: rms(over),
    medianOverBound: medianSize(over),
  };
}

function print(report: Report, liveFigures: LiveFigures | string | null): void {
  const head = [
    '',
    'frames',
    'found %',
    'RMS/bound',
    'median/bound',
    'bias/bound',
    'spread',
    'sign errors',
    'RMS px',
    'ms p50',
    'p95',
    'CPU ms p50',
    'p95',
  ];
  const cells = (name: string, row: Row) => [
    name,
    row.frames,
    row.foundPercent.toFixed(1),
    fixed(row.rmsOverBound),
    fixed(row.medianOverBound),
    fixed(row.biasOverBound),
    fixed(row.spread),
    row.signErrors,
    fixed(row.rmsPx, 4),
    ...[...row.wallMs, ...row.cpuMs].map((ms) => fixed(ms, 1)),
  ];
  for (const seed of report.families.length > 0 ? report.seeds : [])
    for (const knowing of ['unknown', 'known'] as const) {
      const rows = report.families
        .filter((family) => family.seed === seed)
        .map((family) => cells(family.family, family[knowing]));
      const total = report.all.find((all) => all.seed === seed)!;
      table(`Families, seed ${seed}, optics ${knowing}`, head, [...rows, cells('all', total[knowing])]);
    }
  if (report.families.length > 0)
    table(
      'Beside outside methods on the same frames, told where the spots are to the pixel',
      [
        '',
        'seed',
        'here: found %',
        'RMS/bound',
        'median',
        'blurred peaks: found %',
        'RMS/bound',
        'median',
        'SExtractor: found %',
        'RMS/bound',
        'median',
      ],
      report.families.map(({ family, seed, unknown, blurredPeaks, sourceExtractor }) => [
        family,
        seed,
        ...[unknown, blurredPeaks, sourceExtractor].flatMap((method) =>
          method
            ? [method.foundPercent.toFixed(0), fixed(method.rmsOverBound, 1), fixed(method.medianOverBound, 1)]
            : ['–', '–', '–'],
        ),
      ]),
    );
  if (report.families.some(({ sourceExtractor }) => sourceExtractor === null))
    console.log('SExtractor is not installed (Debian package source-extractor): left out.');
  if (report.grid.length > 0) {
    const frames = report.grid.filter(({ axis }) => axis === 'defocus').reduce((sum, { row }) => sum + row.frames, 0);
    table(
      `${frames} frames over defocus (depths of focus), brightest spot (of full well), outer angle and rotation (°), optics unknown`,
      head,
      report.grid.map(({ axis, value, row }) => cells(`${axis} ${value}`, row)),
    );
  }
  if (report.negatives.length > 0) {
    table(
      'Frames without a pattern',
      ['', 'frames', 'claims', 'CPU ms p50', 'p95', 'reasons'],
      report.negatives.map(({ shows, frames, claims, cpuMs, reasons }) => [
        shows,
        frames,
        claims,
        ...cpuMs.map((ms) => fixed(ms, 1)),
        Object.entries(reasons)
          .map(([reason, times]) => `${reason} ${times}`)
          .join(', '),
      ]),
    );
    const total = (name: 'frames' | 'claims') => report.negatives.reduce((sum, row) => sum + row[name], 0);
    console.log(`${total('claims')} claims in ${total('frames')} frames`);
  }
  if (typeof liveFigures === 'string') console.log(`\nLive chain ${liveFigures}`);
  else if (liveFigures)
    table(
      'Live chain: simulated camera, host, page in Chromium, paint',
      ['', 'value'],
      Object.entries(liveFigures).map(([name, value]) => [
        name,
        [value]
          .flat()
          .map((v) => fixed(v, 1))
          .join(' / '),
      ]),
    );
  console.log(`\n${((performance.now() - started) / 1000).toFixed(0)} s in all`);
}

function fixed(value: number, digits = 2): string {
  return Number.isFinite(value) ? value.toFixed(digits) : '–';
}

function table(title: string, head: string[], rows: (string | number)[][]): void {
  const lines = [head, ...rows].map((row) => row.map(String));
  const widths = head.map((_, column) => Math.max(...lines.map((line) => line[column].length)));
  console.log(`\n${title}`);
  for (const line of lines)
    console.log(
      line
        .map((cell, column) =>
          column === 0 || (column === head.length - 1 && head[column] === 'reasons')
            ? cell.padEnd(widths[column])
            : cell.padStart(widths[column]),
        )
        .join('  ')
        .trimEnd(),
    );
}
