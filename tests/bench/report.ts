/** What the bench found, and its tables. */
import { hasSourceExtractor } from './baselines.ts';
import type { FaintRow } from './faint.ts';
import type { Done, Job } from './jobs.ts';
import type { LiveFigures } from './live.ts';
import {
  countReasons,
  type Knowing,
  medianSize,
  percentiles,
  type Row,
  rms,
  summarise,
  type Trial,
} from './measurement.ts';
import type { MemoryFigures } from './memory.ts';
import { NEGATIVE_KINDS } from './negatives.ts';
import { FAMILIES, GRID, gridPlace } from './scenes.ts';
import type { SpeedRow } from './speed.ts';

interface Baseline {
  foundPercent: number;
  rmsOverBound: number;
  medianOverBound: number;
}

/** The same frames with more and less known of the optics, and by the outside methods. */
interface Compared extends Record<Knowing, Row> {
  blurredPeaks: Baseline;
  /** null when the program is not installed. */
  sourceExtractor: Baseline | null;
}

interface FamilyReport extends Compared {
  family: string;
  seed: number;
}

export interface Report {
  seeds: number[];
  families: FamilyReport[];
  /** Over all families, by the spots' signal-to-noise (lower end of each range). */
  bySnr: (Compared & { spotSnr: string })[];
  grid: { axis: keyof typeof GRID; value: number; row: Row }[];
  negatives: {
    shows: string;
    frames: number;
    claims: number;
    rightPercent: number;
    reasons: Record<string, number>;
    cpuMs: [number, number];
  }[];
  faint?: FaintRow[];
  speed?: SpeedRow[];
  live?: LiveFigures | string;
  memory?: MemoryFigures;
}

const SNR_RANGES = [0, 5, 20, 100, Number.POSITIVE_INFINITY];

export function summary(all: Done[], seeds: number[]): Report {
  const trialsOf = (pick: (job: Job) => boolean) =>
    all.flatMap(({ job, trial }) => (trial && pick(job) ? [trial] : []));
  const families = seeds.flatMap((seed) =>
    FAMILIES.flatMap(({ name }): FamilyReport[] => {
      const trials = trialsOf((job) => job.kind === 'family' && job.family === name && job.seed === seed);
      return trials.length > 0 ? [{ family: name, seed, ...compared(trials) }] : [];
    }),
  );
  const ofFamilies = trialsOf((job) => job.kind === 'family');
  const between = (low: number, high: number) =>
    ofFamilies.filter(({ limit }) => limit.spotSnr >= low && limit.spotSnr < high);
  const ranges = [...SNR_RANGES.slice(1).map((high, i) => [SNR_RANGES[i], high]), [5, 100], [0, Infinity]];
  const grid = all.flatMap(({ job, trial }) =>
    trial && job.kind === 'grid' ? [{ place: gridPlace(job.index), trial }] : [],
  );
  const axes = grid.length > 0 ? (Object.keys(GRID) as (keyof typeof GRID)[]) : [];
  return {
    seeds,
    families,
    bySnr: ranges.flatMap(([low, high]) => {
      const trials = between(low, high);
      return trials.length > 0
        ? [{ spotSnr: high < Infinity ? `${low}–${high}` : `${low}–`, ...compared(trials) }]
        : [];
    }),
    grid: axes.flatMap((axis) =>
      GRID[axis].map((value) => {
        const there = grid.filter(({ place }) => place[axis] === value).map(({ trial }) => trial);
        return { axis, value, row: summarise(there, 'unknown') };
      }),
    ),
    negatives: NEGATIVE_KINDS.flatMap((shows) => {
      const seen = all.flatMap(({ negative }) => (negative?.shows === shows ? [negative] : []));
      if (seen.length === 0) return [];
      const readings = seen.map(({ reading }) => reading);
      return [
        {
          shows,
          frames: seen.length,
          claims: readings.filter(({ status }) => status === 'measured').length,
          rightPercent: (100 * seen.filter(({ isRight }) => isRight).length) / seen.length,
          reasons: countReasons(readings),
          cpuMs: percentiles(seen.map(({ cpuMs }) => cpuMs)),
        },
      ];
    }),
  };
}

function compared(trials: Trial[]): Compared {
  return {
    unknown: summarise(trials, 'unknown'),
    known: summarise(trials, 'known'),
    learned: summarise(trials, 'learned'),
    followed: summarise(trials, 'followed'),
    blurredPeaks: baseline(trials, 'blurredPeaks'),
    sourceExtractor: hasSourceExtractor() ? baseline(trials, 'sourceExtractor') : null,
  };
}

function baseline(trials: Trial[], method: 'blurredPeaks' | 'sourceExtractor'): Baseline {
  const offsets = trials.map((trial) => ({ trial, offset: trial.baselines[method] }));
  const over = offsets.flatMap(({ trial: { truth, limit }, offset }) =>
    offset === null || truth.merged ? [] : [(offset - truth.offsetPx) / limit.boundPx],
  );
  return {
    foundPercent: (100 * offsets.filter(({ offset }) => offset !== null).length) / trials.length,
    rmsOverBound: rms(over),
    medianOverBound: medianSize(over),
  };
}

const KNOWING: Record<Knowing, string> = {
  learned: 'lens, pixel size and all of the mask known, as after a calibration turn',
  followed: 'the same, followed as a live view’s next frame',
  known: 'lens, pixel size and the mask’s layout known, as typed',
  unknown: 'nothing known of the optics',
};

const HEAD = [
  ...['', 'frames', 'found %', 'RMS/bound', 'median', 'bias', 'spread', 'median', 'sign errors', 'RMS px'],
  ...['ms p50', 'p95', 'CPU p50', 'p95'],
];
const BESIDE = ['blurred: found %', 'RMS/bound', 'median', 'SExtr.: found %', 'RMS/bound', 'median'];

export function print(report: Report): void {
  for (const seed of report.seeds) {
    const families = report.families.filter((family) => family.seed === seed);
    if (families.length === 0) continue;
    table(
      `Families, seed ${seed}, ${KNOWING.learned}; beside it on the same frames blurred peaks (OpenCV) and SExtractor, told the spots' places`,
      [...HEAD, ...BESIDE, 'not measured'],
      families.map((row) => [...cells(row.family, row.learned), ...beside(row), told(row.learned.reasons)]),
    );
    for (const knowing of ['followed', 'known', 'unknown'] as const)
      table(
        `Families, seed ${seed}, ${KNOWING[knowing]}`,
        [...HEAD, 'not measured'],
        families.map((row) => [...cells(row.family, row[knowing]), told(row[knowing].reasons)]),
      );
  }
  if (report.bySnr.length > 0)
    for (const knowing of ['learned', 'followed', 'known', 'unknown'] as const)
      table(
        `All families and seeds by the spots’ peak signal-to-noise, ${KNOWING[knowing]}`,
        [...HEAD, ...BESIDE, 'not measured'],
        report.bySnr.map((row) => [...cells(row.spotSnr, row[knowing]), ...beside(row), told(row[knowing].reasons)]),
      );
  if (report.families.some(({ sourceExtractor }) => sourceExtractor === null))
    console.log('SExtractor is not installed (Debian package source-extractor): left out.');
  if (report.grid.length > 0)
    table(
      'Defocus (depths of focus), brightest spot (of full well), outer angle and rotation (°), optics unknown',
      HEAD,
      report.grid.map(({ axis, value, row }) => cells(`${axis} ${value}`, row)),
    );
  if (report.negatives.length > 0) {
    table(
      'Frames without a pattern',
      ['', 'frames', 'claims', 'right reason %', 'CPU ms p50', 'p95', 'reasons'],
      report.negatives.map(({ shows, frames, claims, rightPercent, cpuMs, reasons }) => [
        shows,
        frames,
        claims,
        rightPercent.toFixed(0),
        ...cpuMs.map((ms) => fixed(ms, 1)),
        told(reasons),
      ]),
    );
    const frames = report.negatives.reduce((sum, row) => sum + row.frames, 0);
    const claims = report.negatives.reduce((sum, row) => sum + row.claims, 0);
    const right = report.negatives.reduce((sum, row) => sum + (row.rightPercent * row.frames) / 100, 0);
    console.log(`${claims} claims in ${frames} frames; a right reason in ${((100 * right) / frames).toFixed(1)} %`);
  }
  if (report.faint)
    table(
      'Faint drifting stars, frames added up; σ and error of all readings together, over the bound of all frames',
      ['spot SNR', 'frames', 'first after', 'readings', 'σ/bound', 'error/bound', 'spread of error/σ'],
      report.faint.map((row) => [
        row.spotSnr,
        row.frames,
        fixed(row.first, 0),
        fixed(row.readings, 1),
        ...[row.sigmaOverBound, row.errorOverBound, row.spread].map((value) => fixed(value)),
      ]),
    );
  if (report.speed)
    table(
      'Time of one frame on one core, ms p50 / p95',
      ['', 'decoded', 'looked at anew', 'followed: first', 'then', 'in Chromium’s worker', 'nothing there'],
      report.speed.map(({ size, decodeMs, anewMs, firstMs, followedMs, workerMs, nothingMs }) => [
        size,
        ...[decodeMs, anewMs, firstMs, followedMs, workerMs, nothingMs].map(
          (ms) => ms?.map((v) => fixed(v, 1)).join(' / ') ?? '–',
        ),
      ]),
    );
  if (report.memory) figures('Memory', report.memory);
  if (typeof report.live === 'string') console.log(`\nLive chain ${report.live}`);
  else if (report.live) figures('Live chain: simulated camera, host, page in Chromium, paint', report.live);
}

function cells(name: string, row: Row): (string | number)[] {
  return [
    name,
    row.frames,
    row.foundPercent.toFixed(0),
    ...[row.rmsOverBound, row.medianOverBound, row.biasOverBound, row.spread, row.medianSpread].map((v) => fixed(v)),
    row.signErrors,
    fixed(row.rmsPx, 3),
    ...[...row.wallMs, ...row.cpuMs].map((ms) => fixed(ms, 0)),
  ];
}

function beside({ blurredPeaks, sourceExtractor }: Pick<FamilyReport, 'blurredPeaks' | 'sourceExtractor'>): string[] {
  return [blurredPeaks, sourceExtractor].flatMap((method) =>
    method
      ? [method.foundPercent.toFixed(0), fixed(method.rmsOverBound, 1), fixed(method.medianOverBound, 1)]
      : ['–', '–', '–'],
  );
}

function told(reasons: Record<string, number>): string {
  return Object.entries(reasons)
    .map(([reason, times]) => `${reason} ${times}`)
    .join(', ');
}

function figures(title: string, values: object): void {
  const rows = Object.entries(values).map(([name, value]) => [
    name,
    [value]
      .flat()
      .map((v) => (typeof v === 'number' ? fixed(v, Number.isInteger(v) ? 0 : 1) : v))
      .join(' / '),
  ]);
  table(title, ['', 'value'], rows);
}

function fixed(value: number, digits = 2): string {
  return Number.isFinite(value) ? value.toFixed(digits) : '–';
}

/** Columns of numbers to the right, of words to the left. */
function table(title: string, head: string[], rows: (string | number)[][]): void {
  const lines = [head, ...rows].map((row) => row.map(String));
  const widths = head.map((_, column) => Math.max(...lines.map((line) => line[column].length)));
  const isWords = (column: number) => column === 0 || ['reasons', 'not measured', 'value'].includes(head[column]);
  console.log(`\n${title}`);
  for (const line of lines)
    console.log(
      line
        .map((cell, column) => (isWords(column) ? cell.padEnd(widths[column]) : cell.padStart(widths[column])))
        .join('  ')
        .trimEnd(),
    );
}
