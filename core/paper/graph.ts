/** Graphs in ink: frame, round ticks, points with their σ, lines and bands. */
import { box, type LineStyle, type Page, type Point, type TextWidth } from './page.ts';

export interface Axis {
  label: string;
  from: number;
  to: number;
  ticks: readonly { value: number; text: string }[];
}

/** Shapes that are told apart without colour. */
const SHAPES = ['dot', 'ring', 'square', 'triangle', 'cross', 'hollow square'] as const;
export type Shape = (typeof SHAPES)[number];
export const shapeOf = (index: number): Shape => SHAPES[index % SHAPES.length];

const SIZE_MM = 3.6;
const POINT_MM = 1.1;

/** A graph on a sheet; what is drawn is in the units of its axes, and left out where it lies outside of them. */
export class Graph {
  readonly #page: Page;
  readonly #left: number;
  readonly #top: number;
  readonly #width: number;
  readonly #height: number;
  readonly #x: Axis;
  readonly #y: Axis;

  /** The frame's place without its numbers: those need some 14 mm on the left and 12 mm below. */
  constructor(page: Page, [left, top]: Point, widthMm: number, heightMm: number, x: Axis, y: Axis) {
    this.#page = page;
    [this.#left, this.#top, this.#width, this.#height, this.#x, this.#y] = [left, top, widthMm, heightMm, x, y];
  }

  /** Ticks, numbers and names; drawn last, so that bands do not cover them. */
  frame(): void {
    const page = this.#page;
    const [left, top, bottom] = [this.#left, this.#top, this.#top + this.#height];
    page.outline(box(left, top, this.#width, this.#height), { strokeMm: 0.3 });
    for (const { value, text } of this.#x.ticks) {
      const [x] = this.#at(value, this.#y.from);
      page.line([
        [x, bottom],
        [x, bottom + 1.5],
      ]);
      page.text([x, bottom + 5], text, { sizeMm: SIZE_MM, anchor: 'middle' });
    }
    for (const { value, text } of this.#y.ticks) {
      const [, y] = this.#at(this.#x.from, value);
      page.line([
        [left - 1.5, y],
        [left, y],
      ]);
      page.text([left - 2.2, y + 1.2], text, { sizeMm: SIZE_MM, anchor: 'right' });
    }
    page.text([left + this.#width / 2, bottom + 10], this.#x.label, { sizeMm: SIZE_MM, anchor: 'middle' });
    page.text([left, top - 2], this.#y.label, { sizeMm: SIZE_MM });
  }

  line(points: readonly Point[], style: LineStyle = {}): void {
    this.#page.line(
      points.map(([x, y]) => this.#at(x, this.#within(y))),
      style,
    );
  }

  /** A thin line across. */
  level(y: number, dashMm: number | null): void {
    this.line(
      [
        [this.#x.from, y],
        [this.#x.to, y],
      ],
      { strokeMm: 0.2, dashMm },
    );
  }

  /** Between two curves over the same x. */
  band(low: readonly Point[], high: readonly Point[], grey: number): void {
    const outline = [...low, ...high.toReversed()].map(([x, y]) => this.#at(x, this.#within(y)));
    this.#page.area(outline, grey);
  }

  /** @param sigma drawn as a bar of ± one standard deviation; 0 for none */
  point(x: number, y: number, sigma: number, shape: Shape): void {
    if (!this.#holds(x, y)) return;
    if (sigma > 0)
      this.#page.line([this.#at(x, this.#within(y - sigma)), this.#at(x, this.#within(y + sigma))], { strokeMm: 0.3 });
    this.#draw(shape, this.#at(x, y));
  }

  #draw(shape: Shape, [cx, cy]: Point): void {
    const page = this.#page;
    const r = POINT_MM;
    switch (shape) {
      case 'dot':
        page.dot([cx, cy], r);
        break;
      case 'ring':
        page.dot([cx, cy], r);
        page.dot([cx, cy], 0.6 * r, 1);
        break;
      case 'square':
        page.area(box(cx - r, cy - r, 2 * r, 2 * r));
        break;
      case 'hollow square':
        page.area(box(cx - r, cy - r, 2 * r, 2 * r));
        page.area(box(cx - 0.6 * r, cy - 0.6 * r, 1.2 * r, 1.2 * r), 1);
        break;
      case 'triangle':
        page.area([
          [cx - 1.2 * r, cy + r],
          [cx + 1.2 * r, cy + r],
          [cx, cy - 1.2 * r],
        ]);
        break;
      case 'cross':
        for (const side of [1, -1])
          page.line(
            [
              [cx - r, cy - side * r],
              [cx + r, cy + side * r],
            ],
            { strokeMm: 0.5 },
          );
        break;
    }
  }

  /** A circle round a point that is not to be trusted. */
  flag(x: number, y: number): void {
    const [cx, cy] = this.#at(x, this.#within(y));
    const circle = Array.from({ length: 33 }, (_, i): Point => {
      const angle = (i / 16) * Math.PI;
      return [cx + 2.4 * Math.cos(angle), cy + 2.4 * Math.sin(angle)];
    });
    this.#page.line(circle, { strokeMm: 0.4 });
  }

  /** What the shapes stand for, above the frame at its right end. */
  legend(names: readonly { shape: Shape; text: string }[], width: TextWidth): void {
    let right = this.#left + this.#width;
    for (const { shape, text } of names.toReversed()) {
      this.#page.text([right, this.#top - 2], text, { sizeMm: SIZE_MM, anchor: 'right', bold: true });
      right -= width(text, SIZE_MM, true) + 2.2;
      this.#draw(shape, [right, this.#top - 3.2]);
      right -= 4.5;
    }
  }

  #holds(x: number, y: number): boolean {
    return x >= this.#x.from && x <= this.#x.to && y >= this.#y.from && y <= this.#y.to;
  }

  #within(y: number): number {
    return Math.min(this.#y.to, Math.max(this.#y.from, y));
  }

  #at(x: number, y: number): Point {
    const part = (value: number, { from, to }: Axis) => (value - from) / (to - from);
    return [this.#left + this.#width * part(x, this.#x), this.#top + this.#height * (1 - part(y, this.#y))];
  }
}

/** An axis that holds all values with a margin, its ticks at 1, 2 or 5 times a power of ten. */
export function axisFor(label: string, values: readonly number[], leastSpan: number, ticks = 6): Axis {
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const span = Math.max(high - low, leastSpan);
  const middle = (low + high) / 2;
  const [from, to] = [middle - 0.55 * span, middle + 0.55 * span];
  const step = roundStep((to - from) / ticks);
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const first = Math.ceil(from / step);
  const count = Math.floor(to / step) - first + 1;
  return {
    label,
    from,
    to,
    ticks: Array.from({ length: count }, (_, i) => {
      const value = (first + i) * step;
      return { value, text: (value || 0).toFixed(decimals).replace('-', '−') };
    }),
  };
}

function roundStep(least: number): number {
  const ten = 10 ** Math.floor(Math.log10(least));
  return ten * [1, 2, 5, 10].find((part) => part * ten >= least * (1 - 1e-9))!;
}

const HOUR_MS = 3_600_000;
const TIME_STEPS_MS = [1 / 12, 1 / 6, 1 / 4, 1 / 2, 1, 2, 3, 6].map((hours) => hours * HOUR_MS);

/** A time axis in UTC, ms; the ticks stand at round minutes or hours. */
export function timeAxis(label: string, timesMs: readonly number[]): Axis {
  const [low, high] = [Math.min(...timesMs), Math.max(...timesMs)];
  const span = Math.max(high - low, HOUR_MS / 2);
  const [from, to] = [(low + high) / 2 - 0.55 * span, (low + high) / 2 + 0.55 * span];
  const step = TIME_STEPS_MS.find((ms) => (to - from) / ms <= 8) ?? 12 * HOUR_MS;
  const first = Math.ceil(from / step) * step;
  const count = Math.floor((to - first) / step) + 1;
  return {
    label,
    from,
    to,
    ticks: Array.from({ length: count }, (_, i) => {
      const value = first + i * step;
      return { value, text: new Date(value).toISOString().slice(11, 16) };
    }),
  };
}
