/**
 * What a careful script would do, as outside measures to compare with: centroids of the six spots at
 * roughly known places, three straight lines through them, and the offset of the middle one.
 */
import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { loadOpenCV } from '@opencvjs/web';
import type { PixelImage } from '../../core/frame.ts';
import type { Zone } from '../../core/optics/mask.ts';
import { srgbDecode } from '../../core/optics/transfer.ts';
import { pupilAngleDeg, type Scene, truth } from '../../core/simulator/scene.ts';
import { zoneShiftDirections } from './bound.ts';

interface Point {
  x: number;
  y: number;
}

type Spots = Record<Zone, [Point, Point]>;

/** Where the six spots are, to the pixel: what the baselines are told. */
export function roughPlaces(scene: Scene): Spots {
  const { offsetPx, spotDistancePx, starXPx, starYPx } = truth(scene);
  const shift = zoneShiftDirections(scene);
  const place = (zone: Zone, turnDeg: number): [Point, Point] => {
    const angle = ((pupilAngleDeg(scene) + turnDeg) * Math.PI) / 180;
    return [1, -1].map((side) => ({
      x: Math.round(starXPx + shift[zone].x * offsetPx + side * spotDistancePx * Math.cos(angle)),
      y: Math.round(starYPx + shift[zone].y * offsetPx + side * spotDistancePx * Math.sin(angle)),
    })) as [Point, Point];
  };
  return {
    middle: place('middle', 0),
    plus: place('plus', scene.outerAngleDeg),
    minus: place('minus', -scene.outerAngleDeg),
  };
}

/** How far from its rough place a spot is looked for: less than half-way to its neighbour, px. */
function reachPx(scene: Scene): number {
  return Math.max(2, 0.8 * truth(scene).spotDistancePx * Math.sin((scene.outerAngleDeg * Math.PI) / 360));
}

/** Offset of the line through the middle points from the crossing of the other two lines, along n. */
function offsetOf(spots: Spots, scene: Scene): number | null {
  const line = ([a, b]: [Point, Point]) => ({ at: a, ux: b.x - a.x, uy: b.y - a.y });
  const [middle, plus, minus] = [line(spots.middle), line(spots.plus), line(spots.minus)];
  const across = plus.ux * minus.uy - plus.uy * minus.ux;
  if (across === 0) return null;
  const t = ((minus.at.x - plus.at.x) * minus.uy - (minus.at.y - plus.at.y) * minus.ux) / across;
  const crossing = { x: plus.at.x + t * plus.ux, y: plus.at.y + t * plus.uy };
  const angle = (truth(scene).middleAngleDeg * Math.PI) / 180;
  const length = Math.hypot(middle.ux, middle.uy);
  const towards = Math.sign(middle.ux * Math.cos(angle) + middle.uy * Math.sin(angle));
  const [nx, ny] = [(-towards * middle.uy) / length, (towards * middle.ux) / length];
  return (middle.at.x - crossing.x) * nx + (middle.at.y - crossing.y) * ny;
}

function offsetWith(scene: Scene, centroid: (place: Point, reach: number) => Point | null): number | null {
  const places = roughPlaces(scene);
  const reach = reachPx(scene);
  const found: Partial<Spots> = {};
  for (const zone of ['middle', 'plus', 'minus'] as const) {
    const [a, b] = places[zone].map((place) => centroid(place, reach));
    if (!a || !b) return null;
    found[zone] = [a, b];
  }
  return offsetOf(found as Spots, scene);
}

function linearLight({ data, widthPx, heightPx }: PixelImage): Float32Array {
  const table = Float32Array.from({ length: 256 }, (_, value) => srgbDecode(value / 255));
  const light = new Float32Array(widthPx * heightPx);
  for (let i = 0; i < light.length; i++)
    light[i] = table[data[3 * i]] + table[data[3 * i + 1]] + table[data[3 * i + 2]];
  return light;
}

const cv = await loadOpenCV();

/** The brightest place of the Gaussian-blurred picture near each rough place, and the centroid of the light about it. */
export function blurredPeaks(image: PixelImage, scene: Scene): number | null {
  const { widthPx: width, heightPx: height } = image;
  const mat = cv.matFromArray(height, width, cv.CV_32FC1, linearLight(image) as unknown as number[]);
  const blurred = new cv.Mat();
  try {
    cv.GaussianBlur(mat, blurred, new cv.Size(0, 0), 1.5);
    const light = blurred.data32F;
    return offsetWith(scene, (place, reach) => {
      const within = (centre: Point): { x: number; y: number; value: number }[] => {
        const pixels = [];
        for (let y = Math.ceil(centre.y - reach); y <= centre.y + reach; y++)
          for (let x = Math.ceil(centre.x - reach); x <= centre.x + reach; x++)
            if (x >= 0 && y >= 0 && x < width && y < height && Math.hypot(x - centre.x, y - centre.y) <= reach)
              pixels.push({ x, y, value: light[y * width + x] });
        return pixels;
      };
      const near = within(place);
      if (near.length === 0) return null;
      const about = within(near.reduce((a, b) => (b.value > a.value ? b : a)));
      const values = about.map(({ value }) => value).sort((a, b) => a - b);
      // Half of the height above the surroundings: what lies below is not the spot.
      const base = (values[0] + values[values.length - 1]) / 2;
      let [sum, sx, sy] = [0, 0, 0];
      for (const { x, y, value } of about) {
        const weight = Math.max(0, value - base);
        sum += weight;
        sx += weight * x;
        sy += weight * y;
      }
      return sum > 0 ? { x: sx / sum, y: sy / sum } : null;
    });
  } finally {
    mat.delete();
    blurred.delete();
  }
}

const EXTRACTOR = 'source-extractor';
let workFolder: string | null | undefined;

/** Folder with SExtractor's settings, null when the program (Debian package source-extractor) is not installed. */
function extractorFolder(): string | null {
  if (workFolder !== undefined) return workFolder;
  try {
    execFileSync(EXTRACTOR, ['--version'], { stdio: 'ignore' });
  } catch {
    workFolder = null;
    return null;
  }
  workFolder = mkdtempSync(join(tmpdir(), 'nightring-bench-'));
  writeFileSync(join(workFolder, 'columns'), 'XWIN_IMAGE\nYWIN_IMAGE\n');
  const settings = {
    CATALOG_NAME: 'spots',
    CATALOG_TYPE: 'ASCII',
    PARAMETERS_NAME: 'columns',
    FILTER: 'N',
    DETECT_THRESH: '2',
    ANALYSIS_THRESH: '2',
    DETECT_MINAREA: '4',
    DEBLEND_NTHRESH: '32',
    DEBLEND_MINCONT: '0.0005',
    BACK_SIZE: '64',
    CLEAN: 'N',
    VERBOSE_TYPE: 'QUIET',
  };
  const lines = Object.entries(settings).map(([name, value]) => `${name} ${value}`);
  writeFileSync(join(workFolder, 'settings'), `${lines.join('\n')}\n`);
  return workFolder;
}

export const hasSourceExtractor = (): boolean => extractorFolder() !== null;

/** Windowed centroids of SExtractor (Bertin & Arnouts 1996), the source nearest to each rough place. */
export function sourceExtractor(image: PixelImage, scene: Scene): number | null {
  const folder = extractorFolder();
  if (folder === null) return null;
  writeFileSync(join(folder, 'frame.fits'), fits(linearLight(image), image.widthPx, image.heightPx));
  execFileSync(EXTRACTOR, ['frame.fits', '-c', 'settings'], { cwd: folder, stdio: 'ignore' });
  const sources = readFileSync(join(folder, 'spots'), 'utf8')
    .split('\n')
    .filter((line) => line.trim() !== '' && !line.startsWith('#'))
    .map((line) => line.trim().split(/\s+/).map(Number))
    // FITS counts pixels from 1.
    .map(([x, y]) => ({ x: x - 1, y: y - 1 }));
  return offsetWith(scene, (place, reach) => {
    const distance = (source: Point) => Math.hypot(source.x - place.x, source.y - place.y);
    const nearest = sources.reduce<Point | null>((a, b) => (a && distance(a) <= distance(b) ? a : b), null);
    return nearest && distance(nearest) <= reach ? nearest : null;
  });
}

/** A FITS file of one plane of 32-bit floats (FITS standard 4.0: 80-byte cards, blocks of 2880 bytes, big-endian). */
function fits(plane: Float32Array, widthPx: number, heightPx: number): Buffer {
  const cards = [
    ['SIMPLE', 'T'],
    ['BITPIX', '-32'],
    ['NAXIS', '2'],
    ['NAXIS1', String(widthPx)],
    ['NAXIS2', String(heightPx)],
  ].map(([name, value]) => `${name.padEnd(8)}= ${value.padStart(20)}`.padEnd(80));
  const header = Buffer.from([...cards, 'END'.padEnd(80)].join('').padEnd(2880), 'ascii');
  const data = Buffer.alloc(Math.ceil((plane.length * 4) / 2880) * 2880);
  plane.forEach((value, i) => {
    data.writeFloatBE(value, 4 * i);
  });
  return Buffer.concat([header, data]);
}
