/**
 * Frames that hold no pattern: what lamps, spikes, trails, text and noise look like to the measurement,
 * and the bench's own scenes with the mask taken off.
 */
import sharp from 'sharp';
import type { PixelImage } from '../../core/frame.ts';
import type { ReasonCode } from '../../core/measurement.ts';
import { expose } from '../../core/simulator/expose.ts';
import { type Random, seededRandom } from '../../core/simulator/random.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, type Light, type Scene, star } from '../../core/simulator/scene.ts';
import { encodeJpeg } from '../support/encode.ts';
import { decoded, enlarged } from './frames.ts';
import { drawScene, familyNamed } from './scenes.ts';

export interface Negative {
  kind: string;
  image: PixelImage;
}

interface Pencil {
  random: Random;
  between: (low: number, high: number) => number;
  whole: (low: number, high: number) => number;
}

const WIDTH = 1024;
const HEIGHT = 680;

/** SVG bodies on black; noise and a sky come on top. */
const DRAWINGS: Record<string, (pencil: Pencil) => string> = {
  black: () => '',
  white: () => `<rect width="${WIDTH}" height="${HEIGHT}" fill="#fff"/>`,
  star: (p) => point(p, p.between(1, 9), 255),
  stars: (p) => many(p.whole(2, 40), () => point(p, p.between(0.7, 4), p.between(60, 255))),
  'defocused star': (p) => {
    const r = p.between(8, 60);
    return `<circle cx="${x(p)}" cy="${y(p)}" r="${r}" fill="none" stroke="${grey(p.between(60, 220))}" stroke-width="${p.between(2, r)}"/>`;
  },
  'sunstar spikes': (p) => spikes(p, 2 * p.whole(3, 9)),
  'cross spikes': (p) => spikes(p, 4),
  'hexagon spikes': (p) => spikes(p, 6),
  'two crosses': (p) => spikes(p, 4) + spikes(p, 4),
  lamps: (p) => many(p.whole(1, 9), () => lamp(p)),
  windows: (p) => {
    const [w, h, left, top] = [p.between(8, 30), p.between(8, 40), p.between(50, 600), p.between(50, 400)];
    return many(
      p.whole(4, 20),
      (i) =>
        `<rect x="${left + (i % 5) * w * 1.6}" y="${top + Math.floor(i / 5) * h * 1.5}" width="${w}" height="${h}" fill="rgb(255,${p.whole(160, 230)},${p.whole(60, 160)})" opacity="${p.between(0.2, 1)}"/>`,
    );
  },
  'lamp row': (p) => {
    const [x0, y0, dx, dy] = [p.between(100, 300), p.between(100, 500), p.between(20, 90), p.between(-15, 15)];
    return many(
      7,
      (i) => `<circle cx="${x0 + i * dx}" cy="${y0 + i * dy}" r="${p.between(2, 6)}" fill="${grey(255)}"/>`,
    );
  },
  trails: (p) => many(p.whole(1, 20), () => line(p, p.between(10, 120), p.between(1, 4))),
  'lone trail': (p) => line(p, p.between(10, 100), p.between(2, 6)),
  flames: (p) =>
    many(
      p.whole(3, 12),
      () =>
        `<ellipse cx="${512 + p.between(-60, 60)}" cy="${400 + p.between(-80, 40)}" rx="${p.between(5, 30)}" ry="${p.between(15, 70)}" fill="rgb(255,${p.whole(90, 200)},${p.whole(10, 80)})" opacity="${p.between(0.2, 0.8)}"/>`,
    ),
  text: (p) =>
    many(
      p.whole(1, 8),
      () =>
        `<text x="${p.between(10, 600)}" y="${y(p)}" font-size="${p.between(10, 90)}" fill="${grey(p.between(90, 255))}" transform="rotate(${p.between(-30, 30)} 500 340)">${['12:45 ISO 6400', 'f/2.8 1/30', '* + x #', 'EXIT', '8:8:8', 'iii . iii'][p.whole(0, 5)]}</text>`,
    ),
  grid: (p) => {
    const step = p.between(12, 80);
    return many(
      60,
      (i) =>
        `<path d="M${i * step} 0V${HEIGHT}M0 ${i * step}H${WIDTH}" stroke="${grey(p.between(60, 200))}" stroke-width="${p.between(0.7, 3)}"/>`,
    );
  },
  'dot grid': (p) => {
    const [step, r] = [p.between(15, 70), p.between(1, 5)];
    return many(
      400,
      (i) =>
        `<circle cx="${100 + (i % 20) * step}" cy="${60 + Math.floor(i / 20) * step}" r="${r}" fill="${grey(220)}"/>`,
    );
  },
  'five pairs of dots': (p) => dots(p, 10),
  'four dots': (p) => dots(p, 4),
  'ring of dots': (p) => dots(p, p.whole(5, 12)),
  'scattered dots': (p) => {
    const [cx, cy, reach] = [p.between(250, 750), p.between(200, 480), p.between(20, 140)];
    return (
      `<circle cx="${cx}" cy="${cy}" r="5" fill="#fff"/>` +
      many(
        p.whole(6, 14),
        () =>
          `<circle cx="${cx + p.between(-reach, reach)}" cy="${cy + p.between(-reach, reach)}" r="${p.between(1.5, 4)}" fill="${grey(p.between(80, 220))}"/>`,
      )
    );
  },
  horizon: (p) =>
    `<rect y="${p.between(200, 600)}" width="${WIDTH}" height="600" fill="${grey(p.between(20, 90))}"/>` +
    many(5, () => lamp(p)),
  noise: () => '',
  'strong noise': () => '',
};

function x(p: Pencil): number {
  return p.between(60, WIDTH - 60);
}
function y(p: Pencil): number {
  return p.between(60, HEIGHT - 60);
}
function grey(value: number): string {
  const v = Math.round(value);
  return `rgb(${v},${v},${v})`;
}
function many(count: number, draw: (i: number) => string): string {
  return Array.from({ length: count }, (_, i) => draw(i)).join('');
}
function point(p: Pencil, r: number, value: number): string {
  return `<circle cx="${x(p)}" cy="${y(p)}" r="${r}" fill="${grey(value)}"/>`;
}
function line(p: Pencil, length: number, width: number): string {
  const [x0, y0, a] = [x(p), y(p), p.between(0, Math.PI)];
  return `<path d="M${x0} ${y0}l${length * Math.cos(a)} ${length * Math.sin(a)}" stroke="${grey(p.between(120, 255))}" stroke-width="${width}" stroke-linecap="round"/>`;
}
function lamp(p: Pencil): string {
  const [cx, cy, r] = [x(p), y(p), p.between(3, 40)];
  const colour = `rgb(255,${p.whole(150, 255)},${p.whole(60, 255)})`;
  return `<circle cx="${cx}" cy="${cy}" r="${3 * r}" fill="${colour}" opacity="0.12"/><circle cx="${cx}" cy="${cy}" r="${r}" fill="${colour}"/>`;
}
/** Tapering rays, fainter outwards. */
function spikes(p: Pencil, rays: number): string {
  const [cx, cy, length, start] = [x(p), y(p), p.between(20, 250), p.between(0, 360)];
  const width = p.between(1.5, 5);
  const ray = (i: number) =>
    `<path d="M0 ${-width / 2}L${length * p.between(0.8, 1)} 0L0 ${width / 2}Z" fill="${grey(p.between(120, 230))}" transform="translate(${cx} ${cy}) rotate(${start + (360 / rays) * i})"/>`;
  return `${many(rays, ray)}<circle cx="${cx}" cy="${cy}" r="${p.between(3, 9)}" fill="#fff"/>`;
}
/** Dots at one distance about a star, evenly spread: like a pattern, but with the wrong angles. */
function dots(p: Pencil, count: number): string {
  const [cx, cy, reach, start] = [p.between(200, 800), p.between(200, 480), p.between(15, 130), p.between(0, 360)];
  return (
    `<circle cx="${cx}" cy="${cy}" r="5" fill="#fff"/>` +
    many(count, (i) => {
      const a = ((start + (360 / count) * i) * Math.PI) / 180;
      return `<circle cx="${cx + reach * Math.cos(a)}" cy="${cy + reach * Math.sin(a)}" r="${0.06 * reach + 1}" fill="${grey(170)}"/>`;
    })
  );
}

/** Through the diffraction integral: a bright star, its aperture's own spikes or none, in and out of focus. */
const THROUGH_THE_LENS: Record<string, (p: Pencil) => Partial<Scene>> = {
  sunstar: (p) => ({ blades: p.whole(5, 9), dzUm: p.between(-8, 8) }),
  spider: (p) => ({ vanes: p.whole(3, 4), vaneWidthD: p.between(0.005, 0.03), dzUm: p.between(-8, 8) }),
  'star out of focus': (p) => ({ blades: p.random.uniform() < 0.5 ? p.whole(5, 9) : 0, dzUm: p.between(30, 80) }),
};

function throughLens(kind: string, p: Pencil): Promise<PixelImage> {
  const lights: Light[] = Array.from({ length: p.whole(0, 3) }, () => star(x(p), y(p), p.between(2e3, 2e5)));
  const scene = defaultScene({
    mask: null,
    bladeAngleDeg: p.between(0, 90),
    star: star(x(p), y(p), 10 ** p.between(5.5, 7.5), p.between(3000, 12000)),
    otherLights: lights,
    seeingPx: p.between(1, 4),
    skyE: p.between(3, 500),
    pedestal: 0.004,
    seed: p.whole(1, 1e9),
    ...THROUGH_THE_LENS[kind](p),
  });
  return received(expose(renderNoiseFree(scene), scene), p);
}

/** Families of the bench that make clutter of their own; the rest differ only in the mask. */
const UNMASKED = [
  ...['plain', 'faint', 'jupiter', 'burnt-spots', '640x424', '1920x1280', 'reduced', 'magnified-5x', 'magnified-10x'],
  ...['sharpened', 'contrast', 'dark-sky', 'moonlit', 'other-stars', 'lamps', 'windows', 'flames', 'hot-pixels'],
  ...['banding', 'heavy-jpeg', 'seeing', 'shake', 'trails', 'defocused', 'breaking-up', 'obstructed'],
];
const WITHOUT_MASK = ' without mask';

async function unmasked(kind: string, index: number, seed: number, p: Pencil): Promise<PixelImage> {
  const family = familyNamed(kind.slice(0, -WITHOUT_MASK.length));
  // Numbers of their own, so that they are other frames than those with the mask.
  const scene = { ...drawScene(family, 50_000 + index, seed), mask: null };
  const image = await enlarged(expose(renderNoiseFree(scene), scene), scene.enlarge);
  return received(image, p, scene.jpegQuality);
}

async function drawn(kind: string, p: Pencil): Promise<PixelImage> {
  const svg = `<svg xmlns="http://www.w3.org/2000/svg" width="${WIDTH}" height="${HEIGHT}"><rect width="100%" height="100%" fill="#000"/>${DRAWINGS[kind](p)}</svg>`;
  const { data } = await sharp(Buffer.from(svg))
    .blur(p.between(0.5, 2))
    .removeAlpha()
    .raw()
    .toBuffer({ resolveWithObject: true });
  const sky = p.between(2, 50);
  const noise =
    kind === 'strong noise' ? p.between(15, 60) : kind === 'black' || kind === 'white' ? 0 : p.between(1, 6);
  for (let i = 0; i < data.length; i++)
    data[i] = Math.max(0, Math.min(255, data[i] + (noise > 0 ? sky : 0) + noise * p.random.gauss()));
  return received({ widthPx: WIDTH, heightPx: HEIGHT, channels: 3, data, maxValue: 255, transfer: 'srgb' }, p);
}

async function received(image: PixelImage, p: Pencil, quality = p.whole(60, 95)): Promise<PixelImage> {
  return decoded(await encodeJpeg(image, quality));
}

export const NEGATIVE_KINDS: readonly string[] = [
  ...Object.keys(DRAWINGS),
  ...Object.keys(THROUGH_THE_LENS),
  ...UNMASKED.map((family) => family + WITHOUT_MASK),
];

/** Not by the diffraction integral. */
export const isDrawn = (kind: string): boolean => kind in DRAWINGS;

/** Number `index` of the negatives under `seed`; kinds take turns. */
export async function drawNegative(index: number, seed: number): Promise<Negative> {
  const random = seededRandom((seed * 9973 + index * 7877) | 0);
  const between = (low: number, high: number) => low + (high - low) * random.uniform();
  const pencil: Pencil = { random, between, whole: (low, high) => Math.floor(between(low, high + 1)) };
  const kind = NEGATIVE_KINDS[index % NEGATIVE_KINDS.length];
  if (isDrawn(kind)) return { kind, image: await drawn(kind, pencil) };
  if (kind in THROUGH_THE_LENS) return { kind, image: await throughLens(kind, pencil) };
  return { kind, image: await unmasked(kind, index, seed, pencil) };
}

const SPIKES: ReasonCode[] = ['spikes-only', 'no-spots'];
/** A disc may be a star out of focus. */
const DISCS: ReasonCode[] = ['too-far', 'no-spots', 'no-star', 'too-bright', 'at-edge'];
const NO_STARS: ReasonCode[] = ['no-star', 'no-spots', 'too-bright', 'at-edge'];
const STAR_ALONE: ReasonCode[] = ['no-spots'];

const RIGHT: Record<string, ReasonCode[]> = {
  black: ['no-star'],
  white: ['too-bright'],
  noise: ['no-star'],
  'strong noise': ['no-star'],
  star: ['no-spots', 'too-dim'],
  stars: ['no-spots', 'too-dim'],
  'defocused star': ['too-far', 'no-spots'],
  // Of a bright star the diaphragm's spikes are seen beyond the disc, and tell that there is no mask.
  'star out of focus': ['too-far', 'no-spots', 'spikes-only'],
  'sunstar spikes': SPIKES,
  'cross spikes': SPIKES,
  'hexagon spikes': SPIKES,
  'two crosses': SPIKES,
  sunstar: SPIKES,
  spider: SPIKES,
  lamps: DISCS,
  'lamp row': DISCS,
  trails: ['motion-blur', 'no-spots'],
  'lone trail': ['motion-blur', 'no-spots'],
  horizon: DISCS,
  'four dots': ['pair-missing', 'no-spots'],
  'faint without mask': ['no-spots', 'too-dim'],
  'moonlit without mask': ['no-spots', 'too-dim'],
  'lamps without mask': DISCS,
  'windows without mask': DISCS,
  'flames without mask': DISCS,
  'other-stars without mask': ['no-spots', 'at-edge'],
  'trails without mask': ['motion-blur', 'no-spots'],
  'shake without mask': ['motion-blur', 'no-spots'],
  'seeing without mask': ['no-spots', 'too-far'],
  'planet without mask': ['no-spots', 'too-far'],
  'magnified-5x without mask': ['no-spots', 'too-far'],
  'magnified-10x without mask': ['no-spots', 'too-far'],
  'defocused without mask': ['no-spots', 'too-far'],
  // A disc burnt to white may be glare or defocus: only a shorter exposure tells.
  'breaking-up without mask': ['no-spots', 'too-far', 'too-bright'],
};

/** What may truly be said of a kind; a reason that sends the user the wrong way is not among it. */
export function rightReasons(kind: string): ReasonCode[] {
  return RIGHT[kind] ?? (kind.endsWith(WITHOUT_MASK) ? STAR_ALONE : NO_STARS);
}
