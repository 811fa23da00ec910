/** A tape to be glued round a focus ring: a numbered scale in true size, with marks where focus is to be expected. */
import { box, Page, type Paper, type Point, shortened, type TextWidth, wrapped } from './page.ts';
import { TAPE_WORDS } from './words.ts';

/** Where focus is to be expected, in the scale's unit. */
export interface TapeMark {
  /** Null where the focal length is not written down. */
  focalMm: number | null;
  position: number;
  sigma: number;
}

export interface Tape {
  /** Outside diameter of the ring where the tape will lie, mm. */
  diameterMm: number;
  unit: 'mm' | 'degrees';
  /** Name of the lens, '' for none. */
  lens: string;
  /** What the marks hold for, such as '5 °C'; '' for nothing to tell. */
  conditions: string;
  marks: readonly TapeMark[];
  /** Why there are no marks, or what else is to be known; '' for nothing. */
  remark: string;
}

/** Width of the tape, mm: what most focus rings have room for (common practice, no source). */
export const TAPE_WIDTH_MM = 12;
/** Smaller than a thumb and larger than an arm there are no focus rings; the latter needs a sheet for itself. */
export const DIAMETERS_MM = [15, 250] as const;

const MARGIN_MM = 15;
const FLAP_MM = 8;
/** From one piece of tape to the next below it. */
const PITCH_MM = 19;
const CHECK_MM = 100;
const STEP_SIZE_MM = 4.8;

/** Ticks every so many units: short, middle, long; and the step of the numbers. */
const TICKS = { mm: [1, 5, 10], degrees: [2, 10, 20] } as const;

/** Length of the tape, mm: once round the ring. */
export function tapeLengthMm(diameterMm: number): number {
  const [least, most] = DIAMETERS_MM;
  if (!(diameterMm >= least && diameterMm <= most))
    throw new RangeError(`the ring's diameter must be ${least} to ${most} mm, not ${diameterMm}`);
  return Math.PI * diameterMm;
}

/** The sheets, mostly one. @throws RangeError for a diameter that no focus ring has */
export function tapePages(tape: Tape, paper: Paper, width: TextWidth): Page[] {
  const lengthMm = tapeLengthMm(tape.diameterMm);
  const page = new Page(paper, true);
  const words = TAPE_WORDS;
  const right = page.widthMm - MARGIN_MM;

  const title = shortened(words.title(tape.lens), right - MARGIN_MM, (text) => width(text, 8, true));
  page.text([MARGIN_MM, 22], title, { sizeMm: 8, bold: true });
  page.text([MARGIN_MM, 29], words.size(tape.diameterMm, lengthMm), { sizeMm: 4.5 });
  page.text([MARGIN_MM, 35], words.trueScale, { sizeMm: 4.5, bold: true });
  checkRulers(page, right);

  const longestMm = page.widthMm - 2 * MARGIN_MM - FLAP_MM;
  let topMm = 62;
  const pieces = cutPieces(lengthMm, longestMm);
  pieces.forEach(([fromMm, toMm], index) => {
    piece(page, tape, { fromMm, toMm, lengthMm, topMm, number: index + 1, of: pieces.length }, width);
    topMm += PITCH_MM;
  });
  topMm += 2;

  for (const line of [...words.steps(pieces.length), tape.remark]) {
    for (const part of wrapped(line, textWidthMm(page), (text) => width(text, STEP_SIZE_MM))) {
      page.text([MARGIN_MM, topMm], part, { sizeMm: STEP_SIZE_MM });
      topMm += 1.3 * STEP_SIZE_MM;
    }
  }
  topMm += 6;
  markTable(page, tape, topMm, width);
  page.text([MARGIN_MM, page.heightMm - 9], words.caution, { sizeMm: 4.2, bold: true });
  return [page];
}

/** Where the tape is cut so that each piece fits on the sheet, at whole centimetres. */
function cutPieces(lengthMm: number, longestMm: number): [fromMm: number, toMm: number][] {
  if (lengthMm <= longestMm) return [[0, lengthMm]];
  const stepMm = Math.floor(longestMm / 10) * 10;
  const count = Math.ceil(lengthMm / stepMm);
  return Array.from({ length: count }, (_, i) => [i * stepMm, Math.min(lengthMm, (i + 1) * stepMm)]);
}

interface Piece {
  fromMm: number;
  toMm: number;
  lengthMm: number;
  topMm: number;
  number: number;
  of: number;
}

/** From the lower edge up: ticks, their numbers, the spread of the marks, the labels of the marks. */
function piece(page: Page, tape: Tape, { fromMm, toMm, lengthMm, topMm, number, of }: Piece, width: TextWidth): void {
  const x = (mm: number) => MARGIN_MM + mm - fromMm;
  const bottomMm = topMm + TAPE_WIDTH_MM;
  const flapMm = x(toMm) + FLAP_MM;
  page.outline(box(MARGIN_MM, topMm, flapMm - MARGIN_MM, TAPE_WIDTH_MM), { strokeMm: 0.15, grey: 0.35, dashMm: 1.2 });
  page.line(
    [
      [x(toMm), topMm],
      [x(toMm), bottomMm],
    ],
    { strokeMm: 0.15 },
  );
  for (let at = x(toMm) + 2; at < flapMm; at += 2)
    page.line(
      [
        [at, topMm + 1],
        [at - 1.4, bottomMm - 1],
      ],
      { strokeMm: 0.15, grey: 0.5 },
    );
  if (of > 1) page.text([MARGIN_MM, topMm - 1.2], TAPE_WORDS.piece(number, of), { sizeMm: 3.2, grey: 0.3 });

  const perUnitMm = tape.unit === 'mm' ? 1 : lengthMm / 360;
  const [short, middle, long] = TICKS[tape.unit];
  for (let value = 0; value * perUnitMm <= toMm + 1e-9; value += short) {
    const mm = value * perUnitMm;
    if (mm < fromMm - 1e-9) continue;
    const isLong = value % long === 0;
    const heightMm = isLong ? 4 : value % middle === 0 ? 3 : 2;
    page.line(
      [
        [x(mm), bottomMm],
        [x(mm), bottomMm - heightMm],
      ],
      { strokeMm: isLong ? 0.3 : 0.18 },
    );
    if (!isLong) continue;
    const half = width(String(value), 3.6, true) / 2;
    // At a cut the number stands beside its tick, where it stays whole.
    const anchor = mm - half < fromMm ? 'left' : mm + half > toMm ? 'right' : 'middle';
    const asideMm = { left: 0.4, middle: 0, right: -0.4 }[anchor];
    page.text([x(mm) + asideMm, bottomMm - 4.3], String(value), { sizeMm: 3.6, bold: true, anchor });
  }

  const marks = tape.marks
    .map(({ focalMm, position, sigma }) => ({
      label: TAPE_WORDS.label(focalMm),
      mm: position * perUnitMm,
      sigmaMm: sigma * perUnitMm,
    }))
    .filter(({ mm }) => mm >= fromMm && mm <= toMm)
    .toSorted((a, b) => a.mm - b.mm);
  const labels = spread(
    marks.map(({ label, mm }) => ({ at: x(mm), half: width(label, 3.4, true) / 2 + 0.5 })),
    MARGIN_MM,
    x(toMm),
  );
  marks.forEach(({ label, mm, sigmaMm }, index) => {
    page.line(
      [
        [labels[index], topMm + 3.1],
        [x(mm), topMm + 4.4],
      ],
      { strokeMm: 0.3 },
    );
    page.area(box(x(mm) - sigmaMm, topMm + 4.4, 2 * sigmaMm, 0.5));
    // The number stands free between.
    page.line(
      [
        [x(mm), bottomMm - 4.2],
        [x(mm), bottomMm],
      ],
      { strokeMm: 0.6 },
    );
    page.text([labels[index], topMm + 2.7], label, { sizeMm: 3.4, bold: true, anchor: 'middle' });
  });
}

/** Middles of labels as close to where they belong as they fit side by side between two ends. */
function spread(labels: { at: number; half: number }[], fromMm: number, toMm: number): number[] {
  const placed = labels.map(({ at }) => at);
  let edge = fromMm;
  labels.forEach(({ half }, i) => {
    placed[i] = Math.max(placed[i], edge + half);
    edge = placed[i] + half;
  });
  edge = toMm;
  for (let i = labels.length - 1; i >= 0; i--) {
    placed[i] = Math.min(placed[i], edge - labels[i].half);
    edge = placed[i] - labels[i].half;
  }
  return placed;
}

/** A ruler along and one across the sheet: printers may shrink one way only. */
function checkRulers(page: Page, right: number): void {
  const ruler = (at: (alongMm: number, acrossMm: number) => Point) => {
    page.line([at(0, 0), at(CHECK_MM, 0)], { strokeMm: 0.3 });
    for (let mm = 0; mm <= CHECK_MM; mm += 5) {
      const heightMm = mm % 50 === 0 ? 5 : mm % 10 === 0 ? 3.5 : 2;
      page.line([at(mm, 0), at(mm, heightMm)], { strokeMm: mm % 10 === 0 ? 0.3 : 0.18 });
    }
  };
  const baseMm = 48;
  const top = page.heightMm - MARGIN_MM - CHECK_MM;
  ruler((along, across) => [MARGIN_MM + along, baseMm - across]);
  ruler((along, across) => [right - across, top + along]);
  const style = { sizeMm: 4.2, bold: true };
  page.text([MARGIN_MM + CHECK_MM + 4, baseMm], TAPE_WORDS.check, style);
  page.text([right - 7, top + CHECK_MM / 2], TAPE_WORDS.check, { ...style, anchor: 'middle', turnedDeg: -90 });
}

/** The marks once more in figures large enough for a torch, as many columns as fit. */
function markTable(page: Page, { marks, unit, conditions }: Tape, topMm: number, width: TextWidth): void {
  if (marks.length === 0) return;
  page.text([MARGIN_MM, topMm + 4], TAPE_WORDS.marks(conditions), { sizeMm: 6.5, bold: true });
  const sizeMm = marks.length > 12 ? 5 : 7.5;
  const rows = marks.map((mark) => TAPE_WORDS.mark(mark, unit));
  const columnMm = Math.max(...rows.map((row) => width(row, sizeMm))) + 12;
  const columns = Math.max(1, Math.floor((textWidthMm(page) + 12) / columnMm));
  rows.forEach((row, i) => {
    const at: Point = [MARGIN_MM + (i % columns) * columnMm, topMm + 14 + Math.floor(i / columns) * 1.35 * sizeMm];
    page.text(at, row, { sizeMm });
  });
}

/** Beside the upright ruler. */
const textWidthMm = (page: Page): number => page.widthMm - 2 * MARGIN_MM - 15;
