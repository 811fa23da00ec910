/** One sheet to take along: tonight's targets, where the ring will have to stand, and what to beware of. */
import { type Camera, focusFigures, trailFigures } from '../calculators.ts';
import type { RingMemory } from '../notebook/memory.ts';
import type { LiveView } from '../sky/brightness.ts';
import { moonAt, type Night, nightAround } from '../sky/night.ts';
import type { Place } from '../sky/place.ts';
import { darknessOf, rankTargets, type Target } from '../sky/targets.ts';
import { FIELD_CARD, SUN_CAUTION } from '../strings.ts';
import { Page, type Paper, shortened, type TextWidth, wrapped } from './page.ts';
import { CARD_WORDS as words } from './words.ts';

export interface Card {
  /** Null while it is not known: then no targets. */
  place: Place | null;
  /** The night is the one that is on, or the coming one. */
  atMs: number;
  /** What the clock of the traveller says, ahead of UTC. */
  zoneMinutes: number;
  /** Null while the lens is not known. */
  live: LiveView | null;
  lens: string;
  /** Focal lengths to predict for, mm; null in it for a lens whose focal length is not written down. */
  focalsMm: readonly (number | null)[];
  /** Null while there is no entry in focus. */
  memory: RingMemory | null;
  /** Warmest temperature to predict for, °C; null when none is known. */
  temperatureC: number | null;
  /** Null while lens or sensor are not known. */
  camera: Camera | null;
}

const LEFT_MM = 16;
/** What a torch shows at arm's length (common practice, no source). */
const LARGE_MM = 6.8;
const SMALL_MM = 4.4;

/** One line to write on by hand. */
const WRITE_MM = 10;
const BOTTOM_MM = 12;

const TARGETS = 7;
const FOCALS = 5;
/** The night gets colder: so many columns, so far apart. */
const COLUMNS = 3;
const COOLING_C = 5;

/** @param width of texts in the font it will be printed in */
export function cardPages(card: Card, paper: Paper, width: TextWidth): Page[] {
  const page = new Page(paper);
  const right = page.widthMm - LEFT_MM;
  const night = card.place && nightAround(card.place, card.atMs);
  const title = words.title(card.place?.name ?? '', night?.sunsetMs ?? card.atMs, card.zoneMinutes);
  const fitting = (text: string, sizeMm: number) =>
    shortened(text, right - LEFT_MM, (part) => width(part, sizeMm, true));
  page.text([LEFT_MM, 22], fitting(title, 9), { sizeMm: 9, bold: true });
  let y = 30;
  const paragraph = (text: string, sizeMm: number, bold = false) => {
    for (const line of wrapped(text, right - LEFT_MM, (part) => width(part, sizeMm, bold))) {
      page.text([LEFT_MM, y], line, { sizeMm, bold });
      y += 1.28 * sizeMm;
    }
  };
  const rule = (strokeMm: number) =>
    page.line(
      [
        [LEFT_MM, y],
        [right, y],
      ],
      { strokeMm },
    );
  /** A section's name in the first column and what heads the others; the row is left open for a table. */
  const heading = (texts: readonly string[], startsMm: readonly number[] = [0]) => {
    y += 1;
    rule(0.5);
    y += 6.5;
    texts.forEach((text, i) => {
      page.text([LEFT_MM + startsMm[i], y], fitting(text, 5), { sizeMm: 5, bold: true });
    });
    y += 8;
  };
  const table = (rows: readonly (readonly string[])[], startsMm: readonly number[]) => {
    for (const row of rows) {
      row.forEach((cell, i) => {
        page.text([LEFT_MM + startsMm[i], y], cell, { sizeMm: LARGE_MM, bold: i === 0 });
      });
      y += 1.2 * LARGE_MM;
    }
    y -= 3;
  };
  const columns = (count: number, widthMm: number) =>
    Array.from({ length: count }, (_, i) => right - LEFT_MM - widthMm * (count - i));

  if (card.place && night) {
    paragraph(words.sun(night, card.zoneMinutes), 5);
    paragraph(words.moon(moonAt(night.civil.duskMs ?? card.atMs), night, card.zoneMinutes), 5);
    y -= 2;
    const times = timesOf(card.place, night, card.atMs);
    const found = targetsAt(card.place, times, card.live);
    const magnitudeMm = Math.max(34, ...found.map(({ name }) => width(name, LARGE_MM, true))) + 4;
    const starts = [0, magnitudeMm, ...columns(times.length, (right - LEFT_MM - magnitudeMm - 15) / 3)];
    heading([words.targets, words.magnitude, ...times.map((ms) => words.clock(ms, card.zoneMinutes))], starts);
    table(
      found.map(({ name, magnitude, at }) => [name, words.brightness(magnitude), ...at.map(words.where)]),
      starts,
    );
    if (found.length === 0) paragraph(words.noTargets, 5);
  } else {
    paragraph(words.noPlace, 5);
    y -= 2;
  }

  const { memory } = card;
  if (memory) {
    const { unit, model } = memory;
    const temperatures = card.temperatureC === null ? [null] : coolingFrom(card.temperatureC);
    const starts = [0, ...columns(temperatures.length, 46)];
    heading([words.ring(card.lens, unit)]);
    if (card.temperatureC !== null) {
      y -= 1.5;
      temperatures.forEach((temperatureC, i) => {
        page.text([LEFT_MM + starts[i + 1], y], words.temperature(temperatureC), { sizeMm: 5, bold: true });
      });
      y += 7.5;
    }
    const row = (focalMm: number | null) => [
      words.focal(focalMm),
      ...temperatures.map((temperatureC) => words.position(model.predict({ focalMm, temperatureC }))),
    ];
    table(card.focalsMm.slice(0, FOCALS).map(row), starts);
  } else {
    heading([words.ring(card.lens, '')]);
    paragraph(words.noRing, 5);
    y -= 2;
  }

  if (card.camera) {
    heading([words.figures(card.camera)]);
    const trail = trailFigures(card.camera, { declinationDeg: 0, offAxisDeg: 0 }, 1);
    paragraph(words.allows(focusFigures(card.camera, 1), trail), 5);
    y -= 2;
  }

  heading([SUN_CAUTION]);
  paragraph(FIELD_CARD.first, SMALL_MM);
  for (const [what, advice] of FIELD_CARD.points) paragraph(`${what}: ${advice}`, SMALL_MM);
  y -= 2;

  // For the night on which the laptop stays in the bag.
  if (y + 9 + 2 * WRITE_MM < page.heightMm - BOTTOM_MM) {
    heading(words.write, [0, ...columns(words.write.length - 1, 37)]);
    for (y += WRITE_MM - 8; y < page.heightMm - BOTTOM_MM; y += WRITE_MM) rule(0.15);
  }
  return [page];
}

const QUARTER_MS = 900_000;

/** Early, in the middle, late in the dark, to the quarter of an hour; from now on once it is dark. */
function timesOf(place: Place, night: Night, atMs: number): number[] {
  const dark = darknessOf(place, night);
  if (!dark) return [];
  const fromMs = Math.min(Math.max(dark.fromMs, atMs), dark.untilMs);
  return [0.08, 0.5, 0.92].map(
    (part) => Math.round((fromMs + part * (dark.untilMs - fromMs)) / QUARTER_MS) * QUARTER_MS,
  );
}

/** The best of each time, with where they stand at all times; null where they cannot be used. */
function targetsAt(place: Place, times: readonly number[], live: LiveView | null) {
  const ranked = times.map((ms) => rankTargets(place, ms, live));
  const usable = ({ verdict }: Target) => verdict === 'good' || verdict === 'usable';
  const best = new Map<string, { name: string; magnitude: number; rank: number }>();
  for (const targets of ranked)
    targets.filter(usable).forEach(({ body: { name, magnitude } }, i) => {
      best.set(name, { name, magnitude, rank: Math.min(i, best.get(name)?.rank ?? i) });
    });
  return [...best.values()]
    .toSorted((a, b) => a.rank - b.rank)
    .slice(0, TARGETS)
    .map(({ name, magnitude }) => ({
      name,
      magnitude,
      at: ranked.map((targets) => {
        const target = targets.find(({ body }) => body.name === name);
        return target && usable(target) ? target.body : null;
      }),
    }));
}

/** Whole steps downwards, beginning at the warmest. */
function coolingFrom(temperatureC: number): number[] {
  return Array.from({ length: COLUMNS }, (_, i) => Math.round(temperatureC) - i * COOLING_C);
}
