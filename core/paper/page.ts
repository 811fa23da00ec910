/**
 * Sheets of paper as what is drawn on them. Lengths are mm from the sheet's top left corner, x right, y down, and
 * letters have their height in mm too. Ink is black or grey: red would vanish in the light of a red torch.
 */

/** Width and height of an upright sheet, mm (ISO 216; ANSI/ASME Y14.1). */
export const PAPERS = { a4: [210, 297], letter: [215.9, 279.4] } as const;
export type Paper = keyof typeof PAPERS;

export type Point = readonly [xMm: number, yMm: number];

export type Item =
  | {
      kind: 'path';
      points: readonly Point[];
      closed: boolean;
      /** Width of the stroke, mm; 0 for none. */
      strokeMm: number;
      dashMm: number | null;
      /** Grey, 0 black to 1 white, of stroke and fill; null for none. */
      stroke: number;
      fill: number | null;
    }
  | { kind: 'circle'; centre: Point; radiusMm: number; fill: number }
  | {
      kind: 'text';
      /** On the baseline, at the text's left end, middle or right end. */
      at: Point;
      text: string;
      /** Of the type, from the top of tall letters to the bottom of deep ones; figures are about 0.65 of it. */
      sizeMm: number;
      bold: boolean;
      anchor: 'left' | 'middle' | 'right';
      grey: number;
      /** Turned clockwise about `at`. */
      turnedDeg: number;
    };

/** Width of a text, mm: what lays out must know the letters. */
export type TextWidth = (text: string, sizeMm: number, bold?: boolean) => number;

export interface LineStyle {
  strokeMm?: number;
  dashMm?: number | null;
  grey?: number;
}
export interface TextStyle {
  sizeMm?: number;
  bold?: boolean;
  anchor?: 'left' | 'middle' | 'right';
  grey?: number;
  turnedDeg?: number;
}

/** A sheet being drawn. */
export class Page {
  readonly widthMm: number;
  readonly heightMm: number;
  readonly items: Item[] = [];

  constructor(paper: Paper, landscape = false) {
    const [short, long] = PAPERS[paper];
    [this.widthMm, this.heightMm] = landscape ? [long, short] : [short, long];
  }

  line(points: readonly Point[], { strokeMm = 0.25, dashMm = null, grey = 0 }: LineStyle = {}): void {
    this.items.push({ kind: 'path', points, closed: false, strokeMm, dashMm, stroke: grey, fill: null });
  }

  outline(points: readonly Point[], { strokeMm = 0.25, dashMm = null, grey = 0 }: LineStyle = {}): void {
    this.items.push({ kind: 'path', points, closed: true, strokeMm, dashMm, stroke: grey, fill: null });
  }

  area(points: readonly Point[], grey = 0): void {
    this.items.push({ kind: 'path', points, closed: true, strokeMm: 0, dashMm: null, stroke: 0, fill: grey });
  }

  dot(centre: Point, radiusMm: number, grey = 0): void {
    this.items.push({ kind: 'circle', centre, radiusMm, fill: grey });
  }

  text(at: Point, text: string, style: TextStyle = {}): void {
    const { sizeMm = 4, bold = false, anchor = 'left', grey = 0, turnedDeg = 0 } = style;
    if (text !== '') this.items.push({ kind: 'text', at, text, sizeMm, bold, anchor, grey, turnedDeg });
  }
}

/** The corners of an upright rectangle. */
export function box(leftMm: number, topMm: number, widthMm: number, heightMm: number): Point[] {
  const [right, bottom] = [leftMm + widthMm, topMm + heightMm];
  return [
    [leftMm, topMm],
    [right, topMm],
    [right, bottom],
    [leftMm, bottom],
  ];
}

/** Text broken into lines no wider than `widthMm`, at spaces (not at those that do not break), and inside words that are wider than that. */
export function wrapped(text: string, widthMm: number, width: (text: string) => number): string[] {
  const lines: string[] = [];
  let line = '';
  for (let word of text.split(/[ \t\r\n]+/).filter(Boolean)) {
    if (line && width(`${line} ${word}`) <= widthMm) {
      line = `${line} ${word}`;
      continue;
    }
    if (line) lines.push(line);
    for (let fits = fitting(word, widthMm, width); fits < word.length; fits = fitting(word, widthMm, width)) {
      lines.push(word.slice(0, fits));
      word = word.slice(fits);
    }
    line = word;
  }
  return line ? [...lines, line] : lines;
}

/** Text that is wider than `widthMm` cut short, with an ellipsis. */
export function shortened(text: string, widthMm: number, width: (text: string) => number): string {
  const fits = fitting(text, widthMm, width);
  return fits === text.length ? text : `${text.slice(0, fitting(text, widthMm - width('…'), width))}…`;
}

/** How many of the text's first letters are no wider than `widthMm`, at least one; looks at no more of it than it must. */
function fitting(text: string, widthMm: number, width: (text: string) => number): number {
  let fits = 1;
  let tooMany = 16;
  while (tooMany <= text.length && width(text.slice(0, tooMany)) <= widthMm) {
    fits = tooMany;
    tooMany *= 2;
  }
  if (tooMany > text.length) {
    if (width(text) <= widthMm) return text.length;
    tooMany = text.length;
  }
  while (tooMany - fits > 1) {
    const middle = (fits + tooMany) >> 1;
    if (width(text.slice(0, middle)) <= widthMm) fits = middle;
    else tooMany = middle;
  }
  return Math.min(fits, text.length);
}
