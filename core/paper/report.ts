/** A session on paper: what was written down, where focus was through the night, and how the rings behave. */
import type { Entry } from '../notebook/entry.ts';
import type { RingMemory } from '../notebook/memory.ts';
import { type RingPoint, type RingPrediction, ringPoints } from '../notebook/ring.ts';
import { depthOfFocusUm } from '../optics/formulas.ts';
import { type Axis, axisFor, Graph, type Shape, shapeOf, timeAxis } from './graph.ts';
import { Page, type Paper, type Point, shortened, type TextWidth, wrapped } from './page.ts';
import { REPORT_WORDS as words } from './words.ts';

export interface Report {
  /** Of one session, oldest first; at least one. */
  session: readonly Entry[];
  /** Of each lens used in it that has a model, with all entries of the notebook. */
  rings: readonly { lens: string; memory: RingMemory; entries: readonly Entry[] }[];
}

const LEFT_MM = 16;
const TOP_MM = 16;
const BOTTOM_MM = 14;
const TEXT_MM = 3.9;
const LINE_MM = 5;

/** Nights are told apart by the hours between two entries. */
const SESSION_GAP_MS = 8 * 3_600_000;

/** The entries of the newest session, oldest first. */
export function lastSession(entries: readonly Entry[]): Entry[] {
  const sorted = entries.toSorted((a, b) => a.timeUtc.localeCompare(b.timeUtc));
  const begin = sorted.findLastIndex(
    ({ timeUtc }, i) => i > 0 && Date.parse(timeUtc) - Date.parse(sorted[i - 1].timeUtc) > SESSION_GAP_MS,
  );
  return sorted.slice(Math.max(0, begin));
}

export function reportPages(report: Report, paper: Paper, width: TextWidth): Page[] {
  const pages = [...sessionPages(report.session, paper, width)];
  for (const ring of report.rings) pages.push(ringPage(ring, paper, width));
  pages.forEach((page, i) => {
    page.text([page.widthMm - LEFT_MM, page.heightMm - 7], words.page(i + 1, pages.length), {
      sizeMm: 3.2,
      anchor: 'right',
    });
    page.text([LEFT_MM, page.heightMm - 7], words.foot, { sizeMm: 3.2 });
  });
  return pages;
}

function sessionPages(session: readonly Entry[], paper: Paper, width: TextWidth): Page[] {
  const first = new Page(paper);
  first.text([LEFT_MM, TOP_MM + 6], words.title(session[0].timeUtc), { sizeMm: 8.5, bold: true });
  let y = TOP_MM + 13;
  for (const line of wrapped(words.summary(session), first.widthMm - 2 * LEFT_MM, (text) => width(text, 4.5))) {
    first.text([LEFT_MM, y], line, { sizeMm: 4.5 });
    y += 6;
  }
  const below = offsetGraph(first, session, y + 7);
  return entryTable(first, below, session, paper, width);
}

/** Distance from focus at each entry. @returns where the sheet goes on, mm */
function offsetGraph(page: Page, session: readonly Entry[], topMm: number): number {
  const inUm = session.some(({ defocusUm }) => defocusUm !== null);
  const points = session.flatMap((entry) => {
    const [value, sigma] = inUm ? [entry.defocusUm, entry.defocusSigmaUm] : [entry.offsetPx, entry.offsetSigmaPx];
    return value === null ? [] : [{ atMs: Date.parse(entry.timeUtc), value, sigma: sigma ?? 0, entry }];
  });
  if (points.length === 0) return topMm - 6;
  const bandUm = (inUm && depthOfFocusOf(session)) || null;
  const x = timeAxis(
    words.time,
    points.map(({ atMs }) => atMs),
  );
  const reach = points.flatMap(({ value, sigma }) => [value - sigma, value + sigma, 0, bandUm ?? 0, -(bandUm ?? 0)]);
  const y = axisFor(inUm ? words.defocus(bandUm) : words.offset, reach, inUm ? 10 : 1);
  const graph = new Graph(page, [LEFT_MM + 14, topMm], page.widthMm - 2 * LEFT_MM - 16, 62, x, y);
  if (bandUm !== null) {
    const edge = (value: number): Point[] => [
      [x.from, value],
      [x.to, value],
    ];
    graph.band(edge(-bandUm), edge(bandUm), 0.86);
  }
  graph.level(0, 1);
  for (const { atMs, value, sigma, entry } of points)
    graph.point(atMs, value, sigma, entry.verdict === 'in-focus' ? 'dot' : 'ring');
  graph.frame();
  return topMm + 62 + 18;
}

/** Where all entries were made at one f-number. */
function depthOfFocusOf(session: readonly Entry[]): number | null {
  const numbers = new Set(session.map(({ settings }) => settings.fNumber));
  const [fNumber] = numbers;
  return numbers.size === 1 && fNumber !== null ? depthOfFocusUm(fNumber) : null;
}

/** Columns of the table, as shares of its width. */
const COLUMNS = [0.08, 0.14, 0.14, 0.08, 0.26, 0.3];

/** One entry after the other, over as many sheets as it takes. */
function entryTable(first: Page, topMm: number, session: readonly Entry[], paper: Paper, width: TextWidth): Page[] {
  const pages = [first];
  let page = first;
  let y = topMm;
  const totalMm = page.widthMm - 2 * LEFT_MM;
  const starts = COLUMNS.map((_, i) => LEFT_MM + totalMm * COLUMNS.slice(0, i).reduce((sum, part) => sum + part, 0));
  const row = (cells: readonly string[], bold: boolean) => {
    const lines = cells.map((cell, i) => wrapped(cell, totalMm * COLUMNS[i] - 2, (text) => width(text, TEXT_MM, bold)));
    const heightMm = Math.max(1, ...lines.map(({ length }) => length)) * LINE_MM + 2;
    if (y + heightMm > page.heightMm - BOTTOM_MM) {
      page = new Page(paper);
      pages.push(page);
      y = TOP_MM + 4;
      if (!bold) row(words.columns, true);
    }
    lines.forEach((texts, i) => {
      texts.forEach((text, line) => {
        page.text([starts[i], y + line * LINE_MM], text, { sizeMm: TEXT_MM, bold });
      });
    });
    y += heightMm;
    page.line(
      [
        [LEFT_MM, y - LINE_MM + 0.6],
        [LEFT_MM + totalMm, y - LINE_MM + 0.6],
      ],
      { strokeMm: bold ? 0.4 : 0.15, grey: bold ? 0 : 0.4 },
    );
  };
  row(words.columns, true);
  const oneLens = new Set(session.map(({ lens }) => lens)).size === 1;
  for (const entry of session) row(words.cells(entry, oneLens), false);
  return pages;
}

/** Ring against temperature and focal length, and what the model does not explain. */
function ringPage({ lens, memory, entries }: Report['rings'][number], paper: Paper, width: TextWidth): Page {
  const { unit, model } = memory;
  const page = new Page(paper);
  const found = new Map(model.residuals.map((residual) => [residual.id, residual]));
  const points = ringPoints(entries, lens, unit).filter(({ id }) => found.has(id));
  const focals = [...new Set(points.map(({ focalMm }) => focalMm))].toSorted((a, b) => (a ?? 0) - (b ?? 0));
  const shape = ({ focalMm }: RingPoint) => shapeOf(focals.indexOf(focalMm));
  const marked = (point: RingPoint, x: number | null, y = point.position) =>
    x === null ? [] : [{ x, y, shape: shape(point), bad: found.get(point.id)!.bad }];
  const { focalMm: newestMm, temperatureC: newestC } = points[0];

  const title = shortened(words.ringTitle(lens), page.widthMm - 2 * LEFT_MM, (text) => width(text, 7, true));
  page.text([LEFT_MM, TOP_MM + 5], title, { sizeMm: 7, bold: true });
  let y = TOP_MM + 12;
  const told = words.ringFacts(model, unit, newestMm, points.length);
  for (const line of wrapped(told, page.widthMm - 2 * LEFT_MM, (text) => width(text, 4.2))) {
    page.text([LEFT_MM, y], line, { sizeMm: 4.2 });
    y += 5.4;
  }
  y += 6;

  const byTemperature = points.flatMap((point) => marked(point, point.temperatureC));
  if (byTemperature.length > 0) {
    const x = axisFor(
      words.temperature,
      byTemperature.map((point) => point.x),
      5,
    );
    const curves = focals.map((focalMm) => (temperatureC: number) => model.predict({ focalMm, temperatureC }));
    const graph = ringGraph(page, y, 62, x, { label: words.ring(unit), curves, points: byTemperature });
    const names = focals.map((focalMm, i) => ({ shape: shapeOf(i), text: words.focal(focalMm) }));
    graph.legend(names, width);
    y += 62 + 20;
  }

  const byFocal = points.flatMap((point) => marked(point, point.focalMm));
  if (new Set(byFocal.map((point) => point.x)).size > 1) {
    const x = axisFor(
      words.focalLength,
      byFocal.map((point) => point.x),
      5,
    );
    const curve = (focalMm: number) => model.predict({ focalMm: Math.max(1, focalMm), temperatureC: newestC });
    ringGraph(page, y, 50, x, { label: words.ringAt(unit, newestC), curves: [curve], points: byFocal });
    y += 50 + 20;
  }

  const scores = points.toReversed().flatMap((point, i) => marked(point, i + 1, found.get(point.id)!.z));
  const numbers = axisFor(words.entryNumber, [1, scores.length], 3);
  const x = { ...numbers, ticks: numbers.ticks.filter(({ value }) => scores.some((point) => point.x === value)) };
  const vertical = axisFor(words.residual, [-3, 3, ...scores.map((point) => point.y)], 6, 5);
  const graph = new Graph(page, [LEFT_MM + 14, y], page.widthMm - 2 * LEFT_MM - 16, 36, x, vertical);
  for (const level of [-2, 0, 2]) graph.level(level, level === 0 ? null : 1);
  drawPoints(graph, scores);
  graph.frame();
  return page;
}

interface Marked {
  x: number;
  y: number;
  shape: Shape;
  bad: boolean;
}

/** The model's curves with ± σ of one more reading, under the readings. */
function ringGraph(
  page: Page,
  topMm: number,
  heightMm: number,
  x: Axis,
  { label, curves, points }: { label: string; curves: ((x: number) => RingPrediction)[]; points: Marked[] },
): Graph {
  const steps = Array.from({ length: 41 }, (_, i) => x.from + (i / 40) * (x.to - x.from));
  const predicted = curves.map((curve) => steps.map((step) => ({ x: step, ...curve(step) })));
  const reach = predicted.flat().flatMap(({ position, sigma }) => [position - sigma, position + sigma]);
  const y = axisFor(label, [...reach, ...points.map((point) => point.y)], 0);
  const graph = new Graph(page, [LEFT_MM + 14, topMm], page.widthMm - 2 * LEFT_MM - 16, heightMm, x, y);
  const edge = (curve: (typeof predicted)[number], sigmas: number) =>
    curve.map((at): Point => [at.x, at.position + sigmas * at.sigma]);
  for (const curve of predicted) graph.band(edge(curve, -1), edge(curve, 1), 0.86);
  for (const curve of predicted) graph.line(edge(curve, 0), { strokeMm: 0.3 });
  drawPoints(graph, points);
  graph.frame();
  return graph;
}

function drawPoints(graph: Graph, points: readonly Marked[]): void {
  for (const { x, y, shape, bad } of points) {
    graph.point(x, y, 0, shape);
    if (bad) graph.flag(x, y);
  }
}
