/**
 * The measurement against truth, physical limit and outside methods. `npm run bench -- --help` lists the options.
 * A new seed gives new frames.
 */
import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { hasSourceExtractor } from './baselines.ts';
import { type Done, type Job, runJobs } from './jobs.ts';
import { benchLive, type LiveFigures } from './live.ts';
import { medianSize, percentiles, type Row, rms, summarise, type Trial } from './measurement.ts';
import { NEGATIVE_KINDS } from './negatives.ts';
import { FAMILIES, GRID, GRID_FRAMES, gridPlace } from './scenes.ts';

const HELP = `Usage: npm run bench -- [options]
  --frames N    frames of each family and seed (default 10)
  --negatives N frames without a pattern, per seed (default four of each kind)
  --seed S      one seed instead of two (default 1 and 2)
  --only NAME   one family, or "grid", "negatives" or "live"
  --quick       three frames of each family, one seed, one negative of each kind, no live chain
  --json        one JSON document instead of tables`;

const { values: options } = parseArgs({
  options: {
    frames: { type: 'string' },
    negatives: { type: 'string' },
    seed: { type: 'string' },
    only: { type: 'string' },
    quick: { type: 'boolean', default: false },
    json: { type: 'boolean', default: false },
    help: { type: 'boolean', default: false },
  },
});
if (options.help) {
  console.log(HELP);
  process.exit(0);
}

const parts = ['grid', 'negatives', 'live', ...FAMILIES.map(({ name }) => name)];
if (options.only !== undefined && !parts.includes(options.only)) fail(`--only must be one of: ${parts.join(', ')}`);
const frames = count('frames', options.quick ? 3 : 10);
const negatives = count('negatives', NEGATIVE_KINDS.length * (options.quick ? 1 : 4));
const seeds = options.seed !== undefined ? [count('seed', 1)] : options.quick ? [1] : [1, 2];
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

function fail(message: string): never {
  console.error(message);
  process.exit(2);
}

function count(name: 'frames' | 'negatives' | 'seed', fallback: number): number {
  const text = options[name];
  if (text === undefined) return fallback;
  const value = Number(text);
  if (!Number.isInteger(value) || value < 1) fail(`--${name} must be a whole number above 0, not "${text}"`);
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
