/**
 * The simulated camera's world: a lens with a focus ring, a star, a cooling evening, and live-view
 * frames fast enough for 30 a second.
 *
 * Patterns are computed by the diffraction integral at a row of defocus values ("nodes"), on cells
 * as fine as their blur asks for, and kept. In between, the two neighbouring patterns are mixed in proportion.
 * Mixing keeps total light and every centroid exact (both change linearly with defocus), and only
 * softens a spot a little; the tests bound that. For the star's sub-pixel place the cells' running
 * sum is interpolated by cubics. Background pixels come from a table of noise, laid out anew for each frame.
 *
 * Far from focus a pattern takes a second: whoever must not wait asks which ones are `missing`, has them
 * computed elsewhere by `patternTable`, hands them in with `keep`, and only then lets the world `follow`.
 */
import type { FrameMode, PixelImage } from '../frame.ts';
import { TONE_STEPS, toneTable } from './expose.ts';
import { type Random, seededRandom } from './random.ts';
import {
  type Box,
  blankImage,
  blur,
  diffractionPattern,
  type LinearRgb,
  orderTile,
  type RenderLimits,
  type Tile,
  type TileGrid,
} from './render.ts';
import type { Scenario } from './scenario.ts';
import { arcsecToPx, defaultScene, type Light, pupilAngleDeg, type Scene, star, type Truth, truth } from './scene.ts';

/** Which pattern a table holds. */
export interface TableKey {
  focalMm: number;
  magnification: number;
  /** Index of the defocus value, see `nodeUm`. */
  node: number;
}

/** A pattern's tile, and the most any pixel can get from it per star electron. */
export interface TableTile extends Tile {
  peak: number;
}

export interface WorldFrame {
  image: PixelImage;
  mode: FrameMode;
  truth: Truth;
}

/** Kept patterns; each takes up to a few megabytes. */
const MAX_TABLES = 28;

/** How far the tables follow the light: short of the exact rendering, for speed. */
export const TABLE_LIMITS: RenderLimits = { tailsAiry: [14, 10, 5], phaseStepRad: 1.2, farFields: false };

/** A tile whose brightest pixel stays below this is left out, electrons: of the star, of the others around it. */
const UNSEEN_E = { star: 0.2, others: 1 };

/** Electrons below which a pixel of the pattern is left to the background. */
const FAINT_E = 0.02;

export class SimulatedWorld {
  readonly scenario: Scenario;
  #ring: number;
  /** Where the lens's focusing group stands, in ring marks; lags behind the ring by the backlash. */
  #group: number;
  #focalMm: number;
  #magnification: number;
  #temperature: { setC: number; atMs: number | null };
  #nowMs = 0;
  #random: Random;
  /** Patterns in electrons per star electron, on cells, of which 0 is just right of and below the star. */
  #tables = new Map<string, TableTile[]>();
  #noise: { key: string; data: Uint8Array } | null = null;
  #light: LinearRgb | null = null;
  #tone = toneTable('srgb');

  /** @throws RangeError when the scenario has no focal length or no magnification */
  constructor(scenario: Scenario, seed = 1) {
    const [first] = scenario.lens.settings;
    if (!first || scenario.camera.magnifications.length === 0)
      throw new RangeError('the scenario needs at least one focal length and one live-view magnification');
    this.scenario = scenario;
    this.#ring = scenario.lens.ringStart;
    this.#group = scenario.lens.ringStart;
    this.#focalMm = (scenario.lens.settings[1] ?? first).focalMm;
    this.#magnification = scenario.camera.magnifications[1] ?? scenario.camera.magnifications[0];
    this.#temperature = { setC: scenario.evening.startC, atMs: null };
    this.#random = seededRandom(seed);
  }

  /** Position of the focus ring, in its marks. */
  get ring(): number {
    return this.#ring;
  }

  /** Turns the ring, within its stops. */
  set ring(marks: number) {
    const { ringMin, ringMax, backlashMarks } = this.scenario.lens;
    this.#ring = Math.min(ringMax, Math.max(ringMin, marks));
    this.#group = Math.min(this.#ring + backlashMarks / 2, Math.max(this.#ring - backlashMarks / 2, this.#group));
  }

  get focalMm(): number {
    return this.#focalMm;
  }

  /** @throws RangeError when the lens has no such setting */
  set focalMm(focalMm: number) {
    const known = this.scenario.lens.settings.map((setting) => setting.focalMm);
    if (!known.includes(focalMm)) throw new RangeError(`focal length must be one of ${known.join(', ')} mm`);
    this.#focalMm = focalMm;
  }

  get magnification(): number {
    return this.#magnification;
  }

  /** @throws RangeError when live view has no such magnification */
  set magnification(magnification: number) {
    const known = this.scenario.camera.magnifications;
    if (!known.includes(magnification)) throw new RangeError(`magnification must be one of ${known.join(', ')}`);
    this.#magnification = magnification;
  }

  /** Temperature at the last frame's time; it falls from the value last set. */
  get temperatureC(): number {
    const { setC, atMs } = this.#temperature;
    const { coolingCPerHour, lowestC } = this.scenario.evening;
    const hours = atMs === null ? 0 : (this.#nowMs - atMs) / 3_600_000;
    return Math.max(Math.min(lowestC, setC), setC - coolingCPerHour * hours);
  }

  set temperatureC(celsius: number) {
    this.#temperature = { setC: celsius, atMs: this.#nowMs };
  }

  /** Size on the sensor of one live-view pixel, µm. */
  get pixelUm(): number {
    const { sensorWidthPx, sensorPixelUm, liveWidthPx } = this.scenario.camera;
    return (sensorWidthPx * sensorPixelUm) / liveWidthPx / this.#magnification;
  }

  /** Defocus now, µm: what the user cannot see and wants to bring to 0. */
  get dzUm(): number {
    const { settings, referenceC } = this.scenario.lens;
    const setting = settings.find((candidate) => candidate.focalMm === this.#focalMm)!;
    const infinity = setting.infinityMark + setting.marksPerDegree * (this.temperatureC - referenceC);
    return (this.#group - infinity) * setting.umPerMark;
  }

  /**
   * The next live-view frame.
   * @param timeMs any clock that only goes forward
   * @param into pixels of an earlier frame, to be written over; new ones without
   */
  frame(timeMs: number, into?: PixelImage): WorldFrame {
    this.passTo(timeMs);
    const scene = this.scene(timeMs);
    return {
      image: this.#expose(scene, into),
      mode: { kind: 'live', magnification: this.#magnification, pixelUm: scene.pixelUm },
      truth: truth(scene),
    };
  }

  /** What a photograph at the sensor's full resolution shows, for `exposeStill`. */
  stillScene(timeMs: number, withMask: boolean): Scene {
    this.passTo(timeMs);
    const { sensorWidthPx, sensorHeightPx, sensorPixelUm } = this.scenario.camera;
    const scene = this.#sceneFor(timeMs, sensorPixelUm, sensorWidthPx, sensorHeightPx, this.#dance());
    const seed = Math.floor(this.#random.uniform() * 2 ** 32);
    return withMask ? { ...scene, seed } : { ...scene, seed, mask: null };
  }

  /** The frame's electrons without noise and sky, from the tables. `scene` must be of the present settings. */
  lightOf(scene: Scene): LinearRgb {
    const image = blankImage(scene.widthPx, scene.heightPx);
    this.#addLights(image, scene);
    return image;
  }

  /** Everything that decides the live-view frame at a time, noise aside. */
  scene(timeMs: number): Scene {
    const { liveWidthPx, liveHeightPx } = this.scenario.camera;
    return this.#sceneFor(timeMs, this.pixelUm, liveWidthPx, liveHeightPx, this.#dance());
  }

  /** Lets time pass: the evening gets colder. @param timeMs any clock that only goes forward */
  passTo(timeMs: number): void {
    this.#nowMs = timeMs;
    this.#temperature.atMs ??= timeMs;
  }

  /** Takes over ring, focal length, magnification, temperature and time of another world of the same scenario. */
  follow(other: SimulatedWorld): void {
    this.#ring = other.#ring;
    this.#group = other.#group;
    this.#focalMm = other.#focalMm;
    this.#magnification = other.#magnification;
    this.#temperature = { ...other.#temperature };
    this.#nowMs = other.#nowMs;
  }

  /**
   * Tables that `other` needs, as it stands, and this world has not kept: first the two for its next frame,
   * with `ahead` then those that are needed soon if its ring turns on.
   */
  missing(other: SimulatedWorld, ahead = false): TableKey[] {
    const [node] = other.#bracket(other.dzUm);
    return [0, 1, ...(ahead ? [2, -1, 3, -2] : [])]
      .map((step) => ({ focalMm: other.#focalMm, magnification: other.#magnification, node: node + step }))
      .filter((key) => !this.#tables.has(textOf(key)));
  }

  /** Keeps a table that a world of the same scenario has computed; the one unused for longest gives way. */
  keep(key: TableKey, table: TableTile[]): void {
    this.#tables.set(textOf(key), table);
    if (this.#tables.size > MAX_TABLES) this.#tables.delete(this.#tables.keys().next().value!);
  }

  #sceneFor(timeMs: number, pixelUm: number, widthPx: number, heightPx: number, dance: [number, number]): Scene {
    const { camera, lens, mask, star: target, fieldStars } = this.scenario;
    // To and fro along a slanted line, as a tracker's slow error.
    const periodS = (4 * target.driftUm) / Math.max(1e-9, target.driftUmPerS);
    const phase = (((timeMs / 1000 / periodS) % 1) + 1) % 1;
    const drift = ((phase < 0.25 ? phase : phase < 0.75 ? 0.5 - phase : phase - 1) * 4 * target.driftUm) / pixelUm;
    const jitterPx = arcsecToPx(target.jitterArcsec, this.#focalMm, pixelUm);
    const xPx = widthPx / 2 - 0.5 + 0.8 * drift + jitterPx * dance[0];
    const yPx = heightPx / 2 - 0.5 + 0.6 * drift + jitterPx * dance[1];
    const zoom = this.#focalMm / lens.settings[0].focalMm;
    return defaultScene({
      widthPx,
      heightPx,
      star: star(xPx, yPx, target.photoelectrons, target.temperatureK),
      otherLights: fieldStars.map(({ xUm, yUm, share }) =>
        star(
          xPx + (xUm * zoom) / pixelUm,
          yPx + (yUm * zoom) / pixelUm,
          share * target.photoelectrons,
          target.temperatureK,
        ),
      ),
      focalMm: this.#focalMm,
      fNumber: lens.fNumber,
      pixelUm,
      dzUm: this.dzUm,
      sphericalWaves: lens.sphericalWaves,
      mask,
      maskRotationDeg: this.scenario.maskRotationDeg,
      outerAngleDeg: mask.outerAngleDeg ?? 20,
      pitchUm: mask.pitchUm ?? 100,
      seeingPx: camera.softnessUm / pixelUm,
      skyE: this.scenario.skyEPerUm2 * pixelUm ** 2,
      fullWellE: camera.whiteEPerUm2 * pixelUm ** 2,
      readNoiseE: (camera.readNoiseE * pixelUm) / camera.sensorPixelUm,
      hotPixels: camera.hotPixels,
      hotPixelE: 0.4 * camera.whiteEPerUm2 * pixelUm ** 2,
      jpegQuality: camera.jpegQuality,
    });
  }

  /** Defocus of node i: steps of 5.5 µm at f/2.8 (one radian at the pupil's edge), then of 7 %. */
  #nodeUm(index: number): number {
    const stepUm = (8 * this.scenario.lens.fNumber ** 2 * 0.55) / (2 * Math.PI);
    const linear = 14;
    const far = Math.abs(index) - linear;
    const distance = far <= 0 ? Math.abs(index) : linear * 1.07 ** far;
    return Math.sign(index) * distance * stepUm;
  }

  /** Index of the node at or below a defocus, and how far it lies towards the next, 0…1. */
  #bracket(dzUm: number): [number, number] {
    let index = 0;
    while (this.#nodeUm(index) > dzUm) index--;
    while (this.#nodeUm(index + 1) <= dzUm) index++;
    const low = this.#nodeUm(index);
    return [index, (dzUm - low) / (this.#nodeUm(index + 1) - low)];
  }

  /** A kept table, or computed on the spot. */
  #table(node: number): TableTile[] {
    const key = { focalMm: this.#focalMm, magnification: this.#magnification, node };
    const table = this.#tables.get(textOf(key)) ?? this.patternTable(key);
    this.#tables.delete(textOf(key)); // the last used stand last
    this.keep(key, table);
    return table;
  }

  /** Computes one table, a tenth of a second near focus, seconds far from it. What the world is set to does not matter. */
  patternTable({ focalMm, magnification, node }: TableKey): TableTile[] {
    const set = new SimulatedWorld(this.scenario);
    set.focalMm = focalMm;
    set.magnification = magnification;
    const scene = { ...set.scene(0), dzUm: this.#nodeUm(node) };
    const cells = cellsPerPixel(scene);
    const sigma = (cells * scene.seeingPx) / 2.354820045;
    const reach = cells * scene.widthPx; // beyond this no star in the frame shows it
    const pattern = diffractionPattern(scene, TABLE_LIMITS);
    const grid: TileGrid = {
      cellUm: scene.pixelUm / cells,
      xCell: -0.5,
      yCell: -0.5,
      clip: { x0: -reach, y0: -reach, x1: reach, y1: reach },
      margin: Math.ceil(4 * sigma) + 1,
      align: 1,
    };
    const place = {
      softUm: scene.pixelUm * Math.hypot(0.8, scene.seeingPx),
      angleDeg: pupilAngleDeg(scene),
      photoelectrons: 1,
      temperatureK: scene.star.temperatureK,
    };
    const tiles: TableTile[] = [];
    for (const order of pattern.orders) {
      const tile = orderTile(pattern, order, grid, place);
      if (!tile) continue;
      blur(tile.image, sigma);
      const brightest = Math.max(...tile.image.planes.map((plane) => plane.reduce((a, b) => Math.max(a, b), 0)));
      // Only pixels wholly inside a tile are served, hence the margin.
      const lit = trimmed(tile, FAINT_E / (4 * cells ** 2 * this.scenario.star.photoelectrons), cells + 3);
      tiles.push({ ...lit, peak: brightest * cells ** 2 });
    }
    return tiles;
  }

  /** Adds all lights' patterns; returns the boxes that were touched. */
  #addLights(image: LinearRgb, scene: Scene): Box[] {
    const cells = cellsPerPixel(scene);
    const [index, part] = this.#bracket(scene.dzUm);
    const mix: [TableTile[], number][] = [
      [this.#table(index), 1 - part],
      [this.#table(index + 1), part],
    ];
    const boxes: Box[] = [];
    for (const light of [scene.star, ...scene.otherLights])
      for (const [tiles, weight] of mix)
        for (const tile of tiles) {
          if (weight * light.photoelectrons * tile.peak < UNSEEN_E[light === scene.star ? 'star' : 'others']) continue;
          const box = addTile(image, tile, cells, light, weight * light.photoelectrons);
          if (box) boxes.push(box);
        }
    return boxes;
  }

  /** A fresh exposure: background from the table of noise, everything lit drawn anew. */
  #expose(scene: Scene, into?: PixelImage): PixelImage {
    const { widthPx, heightPx } = scene;
    const random = this.#random;
    const noise = this.#noiseTable(scene);
    const row = 3 * widthPx;
    const data = (into?.data as Uint8Array | undefined) ?? new Uint8Array(row * heightPx);
    for (let y = 0; y < heightPx; y++) {
      const from = Math.floor(random.uniform() * (noise.length - row));
      data.set(noise.subarray(from, from + row), y * row);
    }
    if (this.#light?.widthPx !== widthPx || this.#light.heightPx !== heightPx)
      this.#light = blankImage(widthPx, heightPx);
    const { planes } = this.#light;
    const level = TONE_STEPS / scene.fullWellE;
    // Each lit pixel is exposed once and its light wiped, so that overlapping boxes do no harm.
    for (const { x0, x1, y0, y1 } of this.#addLights(this.#light, scene))
      for (let y = y0; y < y1; y++)
        for (let at = y * widthPx + x0, end = y * widthPx + x1; at < end; at++) {
          if (planes[0][at] + planes[1][at] + planes[2][at] >= FAINT_E)
            for (let c = 0; c < 3; c++) {
              const electrons = random.poisson(planes[c][at] + scene.skyE) + scene.readNoiseE * random.gauss();
              data[3 * at + c] = this.#tone[Math.min(TONE_STEPS, Math.max(0, (electrons * level + 0.5) | 0))];
            }
          planes[0][at] = 0;
          planes[1][at] = 0;
          planes[2][at] = 0;
        }
    const places = seededRandom(977);
    for (let i = 0; i < scene.hotPixels; i++) {
      const at = 3 * Math.floor(places.uniform() * widthPx * heightPx) + Math.floor(3 * places.uniform());
      data[at] = Math.max(data[at], this.#tone[Math.floor((scene.hotPixelE * level * places.uniform()) | 0)]);
    }
    return { widthPx, heightPx, channels: 3, data, maxValue: 255, transfer: 'srgb' };
  }

  /** Encoded pixels of bare sky, half a frame of them. */
  #noiseTable(scene: Scene): Uint8Array {
    const key = `${this.#magnification}`;
    if (this.#noise?.key === key) return this.#noise.data;
    const random = seededRandom(31);
    const level = TONE_STEPS / scene.fullWellE;
    const data = new Uint8Array(3 * Math.ceil((scene.widthPx * scene.heightPx) / 2));
    for (let i = 0; i < data.length; i++) {
      const electrons = random.poisson(scene.skyE) + scene.readNoiseE * random.gauss();
      data[i] = this.#tone[Math.max(0, (electrons * level + 0.5) | 0)];
    }
    this.#noise = { key, data };
    return data;
  }

  /** This frame's dancing of the star, standard normal. */
  #dance(): [number, number] {
    return [this.#random.gauss(), this.#random.gauss()];
  }
}

function textOf({ focalMm, magnification, node }: TableKey): string {
  return `${focalMm} ${magnification} ${node}`;
}

/** The part of a tile that holds all cells above `least`, and `margin` more to every side. */
function trimmed({ x0, y0, image: { widthPx, heightPx, planes } }: Tile, least: number, margin: number): Tile {
  const box = { x0: widthPx, x1: 0, y0: heightPx, y1: 0 };
  for (let at = 0; at < planes[0].length; at++) {
    if (planes[0][at] + planes[1][at] + planes[2][at] < least) continue;
    const [x, y] = [at % widthPx, Math.floor(at / widthPx)];
    box.x0 = Math.min(box.x0, x - margin);
    box.x1 = Math.max(box.x1, x + 1 + margin);
    box.y0 = Math.min(box.y0, y - margin);
    box.y1 = Math.max(box.y1, y + 1 + margin);
  }
  const [left, right] = [Math.max(0, box.x0), Math.min(widthPx, box.x1)];
  const [top, bottom] = [Math.max(0, box.y0), Math.min(heightPx, box.y1)];
  const image = blankImage(Math.max(0, right - left), Math.max(0, bottom - top));
  planes.forEach((plane, c) => {
    for (let y = top; y < bottom; y++)
      image.planes[c].set(plane.subarray(y * widthPx + left, y * widthPx + right), (y - top) * image.widthPx);
  });
  return { x0: x0 + left, y0: y0 + top, image };
}

/** The pattern changes little over one standard deviation of its blur. */
function cellsPerPixel(scene: Scene): number {
  return Math.min(8, Math.max(1, Math.ceil(2.354820045 / scene.seeingPx)));
}

/**
 * Shares of successive cells in a pixel of `cells` cells that starts `part` into the second: the
 * running sum of the cells is interpolated by cubics (Lagrange) and differenced.
 */
function cellShares(part: number, cells: number): number[] {
  const before = (part * (part - 1) * (part - 2)) / 6;
  const after = ((part + 1) * part * (part - 1)) / 6;
  const within = after - ((part + 1) * part * (part - 2)) / 2;
  const shares: number[] = Array.from({ length: cells + 3 }, (_, i) => (i >= 1 && i <= cells ? 1 : 0));
  [before, within, after].forEach((share, i) => {
    shares[i] -= share;
    shares[cells + i] += share;
  });
  return shares;
}

/** Adds `electrons` times a tile around a light; only pixels wholly inside the tile are served. */
function addTile(image: LinearRgb, tile: Tile, cells: number, light: Light, electrons: number): Box | null {
  const { widthPx, heightPx } = image;
  const { widthPx: width, heightPx: height, planes } = tile.image;
  // Pixel x starts this many cells from the tile's edge, plus `cells` times x.
  const startX = cells * (-0.5 - light.xPx) - tile.x0;
  const startY = cells * (-0.5 - light.yPx) - tile.y0;
  const sharesX = cellShares(startX - Math.floor(startX), cells).map((share) => share * electrons);
  const sharesY = cellShares(startY - Math.floor(startY), cells);
  const taps = cells + 3;
  const firstX = Math.floor(startX) - 1;
  const firstY = Math.floor(startY) - 1;
  const x0 = Math.max(0, Math.ceil(-firstX / cells));
  const y0 = Math.max(0, Math.ceil(-firstY / cells));
  const x1 = Math.min(widthPx, Math.floor((width - taps - firstX) / cells) + 1);
  const y1 = Math.min(heightPx, Math.floor((height - taps - firstY) / cells) + 1);
  if (x1 <= x0 || y1 <= y0) return null;
  const from = firstX + cells * x0;
  const until = firstX + cells * (x1 - 1) + taps;
  const line = new Float32Array(width);
  // Four taps at a time: there are four or more, mostly five.
  const [a, b, g, d] = sharesY;
  const [p, q, r, s] = sharesX;
  for (let c = 0; c < 3; c++) {
    const [cell, to] = [planes[c], image.planes[c]];
    for (let y = y0; y < y1; y++) {
      const row = (firstY + cells * y) * width;
      for (let i = from, at = row + from; i < until; i++, at++)
        line[i] = a * cell[at] + b * cell[at + width] + g * cell[at + 2 * width] + d * cell[at + 3 * width];
      for (let k = 4; k < taps; k++) {
        const share = sharesY[k];
        for (let i = from, at = row + k * width + from; i < until; i++, at++) line[i] += share * cell[at];
      }
      for (let x = x0, i = from, out = y * widthPx + x0; x < x1; x++, out++, i += cells) {
        let sum = p * line[i] + q * line[i + 1] + r * line[i + 2] + s * line[i + 3];
        for (let k = 4; k < taps; k++) sum += sharesX[k] * line[i + k];
        to[out] += sum;
      }
    }
  }
  return { x0, x1, y0, y1 };
}
