/** From a scene to the electrons each pixel would collect, without noise. */
import {
  groupByOverlap,
  type IntensityPatch,
  oppositeOrder,
  orderIntensity,
  type PupilOptics,
  type PupilShape,
  pupilSizeFor,
  type SampledPupil,
  samplePupil,
} from '../optics/diffraction.ts';
import { BAND_UM, starSpectrum } from '../optics/spectrum.ts';
import { type Light, pupilAngleDeg, pupilOptics, type Scene, vignettingCut } from './scene.ts';

/** Expected electrons per pixel, one plane per colour, row-major: what a pixel of that colour would collect. */
export interface LinearRgb {
  widthPx: number;
  heightPx: number;
  planes: [Float32Array, Float32Array, Float32Array];
}

export function blankImage(widthPx: number, heightPx: number): LinearRgb {
  const size = widthPx * heightPx;
  return { widthPx, heightPx, planes: [new Float32Array(size), new Float32Array(size), new Float32Array(size)] };
}

/** One order's intensity at a few wavelengths, equally spaced in 1/λ; in between it is interpolated. */
export interface OrderPattern {
  order: number;
  nodesUm: number[];
  patches: IntensityPatch[];
}

/** The diffraction pattern of a scene's pupil, good for any star in the frame. */
export interface Pattern {
  orders: OrderPattern[];
  optics: PupilOptics;
  /** Open area of the pupil times duty: the light that reaches the frame, in the patches' unit. */
  lightD2: number;
}

/** Highest order that is rendered; even ones vanish at a duty of 0.5. */
const MAX_ORDER = 3;

export interface RenderLimits {
  /** Diffraction is followed this far beyond the geometric rays, λN, for order 0, ±1, higher. */
  tailsAiry: [number, number, number];
  /** Change of phase at the pupil's edge between wavelengths whose patterns are mixed. */
  phaseStepRad: number;
  /**
   * Whether first orders feel each other's far light as fields, also where their windows are apart: some
   * hundredths of a pixel in a spot's centre of mass, at more than twice the time.
   */
  farFields: boolean;
}

/** Far enough that what is left out stays below about half an electron per pixel. */
export function limitsFor(scene: Scene): RenderLimits {
  // Next to straight edges intensity falls as (π ρ)⁻² of the peak, elsewhere faster.
  const peakE =
    (scene.star.photoelectrons * Math.min(1, (scene.pixelUm / (0.55 * scene.fNumber)) ** 2)) /
    (1 + (scene.dzUm / (2 * scene.fNumber ** 2)) ** 2);
  const reach = (share: number, low: number, high: number) =>
    Math.min(high, Math.max(low, Math.sqrt(share * peakE) / Math.PI));
  const spiky = scene.blades > 2 || scene.vanes > 0;
  return {
    tailsAiry: [reach(0.2, 10, spiky ? 90 : 24), reach(0.1, 8, 16), reach(0.01, 5, 8)],
    phaseStepRad: 0.7,
    farFields: true,
  };
}

const pupilCache = new Map<string, SampledPupil>();

function cachedPupil(shape: PupilShape, columns: number, rows: number): SampledPupil {
  const key = JSON.stringify([shape, columns, rows]);
  let pupil = pupilCache.get(key);
  if (!pupil) {
    pupil = samplePupil(shape, columns, rows);
    if (pupilCache.size >= 16) pupilCache.delete(pupilCache.keys().next().value!);
    pupilCache.set(key, pupil);
  }
  return pupil;
}

/** Computes the diffraction integral at the node wavelengths of every order that carries light. */
export function diffractionPattern(scene: Scene, limits: RenderLimits = limitsFor(scene)): Pattern {
  const optics = pupilOptics(scene);
  const shape: PupilShape = {
    layout: scene.mask?.layout ?? null,
    handedness: scene.mask?.handedness ?? 1,
    ribD: scene.mask?.ribD ?? 0,
    obstructionD: scene.obstructionD,
    blades: scene.blades,
    vanes: scene.vanes,
    vaneWidthD: scene.vaneWidthD,
    bladeAngleDeg: scene.blades > 0 || scene.vanes > 0 ? scene.bladeAngleDeg - pupilAngleDeg(scene) : 0,
    cutBy: vignettingCut(scene),
    transmission: scene.zoneTransmission,
  };
  const edgeUm = Math.abs(scene.dzUm) / (8 * scene.fNumber ** 2) + Math.abs(optics.sphericalUm);
  const [near, far] = [1 / BAND_UM.max, 1 / BAND_UM.min];
  const steps = Math.max(1, Math.ceil((2 * Math.PI * edgeUm * (far - near)) / limits.phaseStepRad));
  const nodesUm = Array.from({ length: steps + 1 }, (_, i) => 1 / (far + ((near - far) * i) / steps));

  const orders: OrderPattern[] = [];
  let areaD2 = 0;
  const add = (order: number, patches: IntensityPatch[]) => orders.push({ order, nodesUm, patches });
  for (let m = 0; m <= MAX_ORDER; m++) {
    if (m !== 0 && (scene.mask === null || Math.abs(Math.sin(Math.PI * m * optics.duty)) < 1e-9)) continue;
    const tail = limits.tailsAiry[Math.min(2, m)];
    const size = pupilSizeFor(optics, BAND_UM.min, tail);
    let pupil = cachedPupil(shape, size, size);
    areaD2 = pupil.areaD2;
    if (pupil.zones.length === 0) continue;
    const together = m === 1 && limits.farFields;
    const fields = (order: number, zones: SampledPupil['zones']) =>
      orderIntensity(pupil, optics, [order], nodesUm, tail, zones, together).map(doubleSampling);
    if (m === 0) {
      add(0, fields(0, pupil.zones));
      continue;
    }
    if (together) {
      // A zone's light is wanted as far as the others' spots, so it must not repeat before.
      const across = 2 * optics.periodsAcross * Math.sin((optics.outerAngleDeg * Math.PI) / 180);
      pupil = cachedPupil(shape, size, pupilSizeFor(optics, BAND_UM.min, tail, across));
    }
    const groups = m === 1 ? groupByOverlap(pupil, optics, m, nodesUm, tail) : pupil.zones.map((zone) => [zone]);
    for (const zones of groups) {
      const patches = fields(m, zones);
      const alone = zones.length === 1 && !together;
      add(m, patches);
      add(-m, alone ? patches.map((patch) => oppositeOrder(patch, zones[0].zone, optics, m)) : fields(-m, zones));
    }
  }
  return { orders, optics, lightD2: areaD2 * optics.duty };
}

/**
 * The same patch at half the step, by a windowed sinc: the intensity is band-limited below the
 * sampling, so nothing is lost, and linear interpolation is then good enough.
 */
export function doubleSampling(patch: IntensityPatch): IntensityPatch {
  const taps = 4;
  const weights = Array.from({ length: taps }, (_, i) => {
    const x = i + 0.5;
    return (Math.sin(Math.PI * x) / (Math.PI * x)) * Math.cos((Math.PI * x) / (2 * taps + 1)) ** 2;
  });
  const sum = 2 * weights.reduce((a, b) => a + b);
  const { width, height, data } = patch;
  const wide = 2 * width - 1;
  const tall = 2 * height - 1;
  const rows = new Float32Array(wide * height);
  for (let y = 0; y < height; y++)
    for (let x = 0; x < width; x++) {
      const at = y * width + x;
      rows[y * wide + 2 * x] = data[at];
      if (x === width - 1) continue;
      let value = 0;
      for (let t = 0; t < taps; t++)
        value +=
          (weights[t] / sum) *
          (data[y * width + Math.max(0, x - t)] + data[y * width + Math.min(width - 1, x + 1 + t)]);
      rows[y * wide + 2 * x + 1] = Math.max(0, value);
    }
  const out = new Float32Array(wide * tall);
  for (let y = 0; y < height; y++) {
    out.set(rows.subarray(y * wide, (y + 1) * wide), 2 * y * wide);
    if (y === height - 1) continue;
    for (let x = 0; x < wide; x++) {
      let value = 0;
      for (let t = 0; t < taps; t++)
        value +=
          (weights[t] / sum) * (rows[Math.max(0, y - t) * wide + x] + rows[Math.min(height - 1, y + 1 + t) * wide + x]);
      out[(2 * y + 1) * wide + x] = Math.max(0, value);
    }
  }
  return { stepAiry: patch.stepAiry / 2, iu: 2 * patch.iu, in: 2 * patch.in, width: wide, height: tall, data: out };
}

/** Where and how a pattern is laid into an image. */
export interface Placement {
  xPx: number;
  yPx: number;
  pixelUm: number;
  /** Full width of the pixel and of any blur that follows, µm. */
  softUm: number;
  /** Direction of the pupil's +u in the picture, degrees. */
  angleDeg: number;
  photoelectrons: number;
  temperatureK: number;
}

/** Adds one order of a point source's white-light pattern to `image`, integrated over each pixel's area. */
function addOrder(image: LinearRgb, pattern: Pattern, orderPattern: OrderPattern, place: Placement): void {
  const { order, nodesUm, patches } = orderPattern;
  const { fNumber, periodsAcross } = pattern.optics;
  // Neighbouring wavelengths must lie so close that their sum is smooth: a spot of one wavelength holds no
  // detail finer than λN, and less where the pixel or a later blur is wide.
  const lengthUm = Math.abs(order) * periodsAcross * fNumber * (BAND_UM.max - BAND_UM.min);
  const spacingUm = 0.6 * Math.hypot(1.6 * BAND_UM.min * fNumber, place.softUm);
  const count = Math.max(24, Math.ceil(lengthUm / spacingUm));
  const blend = { ...patches[0], data: new Float32Array(patches[0].data.length) };
  const [first, last] = [1 / nodesUm[0], 1 / nodesUm[nodesUm.length - 1]];
  const scale = place.photoelectrons / pattern.lightD2;
  for (const { wavelengthUm, rgb } of starSpectrum(place.temperatureK, count)) {
    if (rgb[0] + rgb[1] + rgb[2] < 1e-6) continue;
    const node = ((1 / wavelengthUm - first) / (last - first)) * (nodesUm.length - 1);
    const lower = Math.min(nodesUm.length - 2, Math.max(0, Math.floor(node)));
    const part = node - lower;
    const [a, b] = [patches[lower].data, patches[lower + 1].data];
    for (let i = 0; i < a.length; i++) blend.data[i] = a[i] + part * (b[i] - a[i]);
    addPatch(image, blend, place, wavelengthUm * fNumber, [rgb[0] * scale, rgb[1] * scale, rgb[2] * scale]);
  }
}

/** The part of the picture an order reaches over the whole band, µm from the star. */
function orderBoxUm(pattern: Pattern, { patches }: OrderPattern, angleDeg: number): Box {
  const [cos, sin] = [Math.cos((angleDeg * Math.PI) / 180), Math.sin((angleDeg * Math.PI) / 180)];
  const { iu, in: iN, width, height, stepAiry } = patches[0];
  const box = { x0: Infinity, x1: -Infinity, y0: Infinity, y1: -Infinity };
  for (const wavelengthUm of [BAND_UM.min, BAND_UM.max])
    for (const u of [iu, iu + width])
      for (const n of [iN, iN + height]) {
        const scale = stepAiry * wavelengthUm * pattern.optics.fNumber;
        const [x, y] = [(u * cos - n * sin) * scale, (u * sin + n * cos) * scale];
        box.x0 = Math.min(box.x0, x);
        box.x1 = Math.max(box.x1, x);
        box.y0 = Math.min(box.y0, y);
        box.y1 = Math.max(box.y1, y);
      }
  return box;
}

/** A piece of a finely sampled picture; its first cell is (x0, y0) of that picture's cells. */
export interface Tile {
  x0: number;
  y0: number;
  image: LinearRgb;
}

/** Where a tile's cells lie. */
export interface TileGrid {
  cellUm: number;
  /** Place of the light in cells, cell centres at integers. */
  xCell: number;
  yCell: number;
  /** Only cells within these bounds are of interest. */
  clip: Box;
  /** Cells to add around what the order reaches, for blurs that follow. */
  margin: number;
  /** Bounds are widened to multiples of this. */
  align: number;
}

export interface Box {
  x0: number;
  x1: number;
  y0: number;
  y1: number;
}

/** One order's pattern on cells just large enough to hold it; null when it lies outside the clip. */
export function orderTile(
  pattern: Pattern,
  order: OrderPattern,
  grid: TileGrid,
  place: Omit<Placement, 'xPx' | 'yPx' | 'pixelUm'>,
): Tile | null {
  const { cellUm, xCell, yCell, clip, margin, align } = grid;
  const box = orderBoxUm(pattern, order, place.angleDeg);
  const down = (value: number) => align * Math.floor(value / align);
  const up = (value: number) => align * Math.ceil(value / align);
  const x0 = down(Math.max(clip.x0, xCell + box.x0 / cellUm - margin));
  const y0 = down(Math.max(clip.y0, yCell + box.y0 / cellUm - margin));
  const x1 = up(Math.min(clip.x1, xCell + box.x1 / cellUm + margin + 1));
  const y1 = up(Math.min(clip.y1, yCell + box.y1 / cellUm + margin + 1));
  if (x1 <= x0 || y1 <= y0) return null;
  const image = blankImage(x1 - x0, y1 - y0);
  addOrder(image, pattern, order, { ...place, xPx: xCell - x0, yPx: yCell - y0, pixelUm: cellUm });
  return { x0, y0, image };
}

/** Adds one monochromatic patch, scaled by λN, turned and moved, averaged over sub-pixels. */
function addPatch(
  image: LinearRgb,
  patch: IntensityPatch,
  place: Placement,
  airyUm: number,
  rgb: [number, number, number],
): void {
  const { stepAiry, width, height, data } = patch;
  const { widthPx, heightPx, planes } = image;
  const angle = (place.angleDeg * Math.PI) / 180;
  const subPixels = Math.max(1, Math.ceil(place.pixelUm / (0.55 * airyUm)));
  // Grid steps of the patch per frame pixel.
  const scale = place.pixelUm / airyUm / stepAiry;
  const du = scale * Math.cos(angle);
  const dn = -scale * Math.sin(angle);
  // Grid coordinates (gu, gn) of frame point (x, y): gu = gu0 + du·x + (scale sin)·y, gn = gn0 + dn·x + (scale cos)·y.
  const duY = scale * Math.sin(angle);
  const dnY = scale * Math.cos(angle);
  const gu0 = -patch.iu - du * place.xPx - duY * place.yPx;
  const gn0 = -patch.in - dn * place.xPx - dnY * place.yPx;
  const yOf = (gu: number, gn: number) => ((gu + patch.iu) * duY + (gn + patch.in) * dnY) / scale ** 2 + place.yPx;
  const ys = [yOf(0, 0), yOf(width - 1, 0), yOf(0, height - 1), yOf(width - 1, height - 1)];
  const yFirst = Math.max(0, Math.floor(Math.min(...ys) - 0.5));
  const yLast = Math.min(heightPx - 1, Math.ceil(Math.max(...ys) + 0.5));
  const area = (place.pixelUm / subPixels / airyUm) ** 2;
  const [red, green, blue] = [rgb[0] * area, rgb[1] * area, rgb[2] * area];
  for (let y = yFirst; y <= yLast; y++)
    for (let sy = 0; sy < subPixels; sy++) {
      const yy = y + (sy + 0.5) / subPixels - 0.5;
      for (let sx = 0; sx < subPixels; sx++) {
        const gu = gu0 + duY * yy + du * ((sx + 0.5) / subPixels - 0.5);
        const gn = gn0 + dnY * yy + dn * ((sx + 0.5) / subPixels - 0.5);
        // x range in which the patch is hit.
        let low = 0;
        let high = widthPx - 1;
        for (const [start, slope, end] of [
          [gu, du, width - 1.001],
          [gn, dn, height - 1.001],
        ]) {
          if (Math.abs(slope) < 1e-12) {
            if (start < 0 || start > end) high = -1;
            continue;
          }
          const [p, q] = [-start / slope, (end - start) / slope];
          low = Math.max(low, Math.ceil(Math.min(p, q)));
          high = Math.min(high, Math.floor(Math.max(p, q)));
        }
        for (let x = low; x <= high; x++) {
          const uu = gu + du * x;
          const nn = gn + dn * x;
          const iu = uu | 0;
          const inn = nn | 0;
          const fu = uu - iu;
          const fn = nn - inn;
          const at = inn * width + iu;
          const top = data[at] + fu * (data[at + 1] - data[at]);
          const bottom = data[at + width] + fu * (data[at + width + 1] - data[at + width]);
          const value = top + fn * (bottom - top);
          const out = y * widthPx + x;
          planes[0][out] += value * red;
          planes[1][out] += value * green;
          planes[2][out] += value * blue;
        }
      }
    }
}

/** Electrons of the sky alone. */
export function addSky(image: LinearRgb, scene: Scene): void {
  const { widthPx, heightPx, planes } = image;
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x++) {
      const sky = scene.skyE + scene.skyGradientXE * (x / widthPx - 0.5) + scene.skyGradientYE * (y / heightPx - 0.5);
      if (sky <= 0) continue;
      for (const plane of planes) plane[y * widthPx + x] += sky;
    }
}

/**
 * The whole scene without noise. Blurs act on cells finer than a pixel where the pixel is too coarse
 * for the optics, and pixels are whole numbers of cells.
 */
export function renderNoiseFree(scene: Scene, limits: RenderLimits = limitsFor(scene)): LinearRgb {
  const image = blankImage(scene.widthPx, scene.heightPx);
  const pattern = diffractionPattern(scene, limits);
  const angleDeg = pupilAngleDeg(scene);
  const sigmaPx = scene.seeingPx / 2.354820045;
  const softUm = scene.pixelUm * Math.hypot(0.8, scene.seeingPx);
  const fineUm = Math.max(0.25 * scene.fNumber, 0.6 * sigmaPx * scene.pixelUm);
  const cells = Math.max(1, Math.ceil(scene.pixelUm / fineUm));
  for (const light of [scene.star, ...scene.otherLights]) {
    const spread = spreadKernel(light, scene, cells);
    const reach = spread ? Math.max(...spread.map(({ x, y }) => Math.max(Math.abs(x), Math.abs(y)))) : 0;
    const margin = Math.ceil(4 * sigmaPx * cells) + 1 + reach;
    const grid: TileGrid = {
      cellUm: scene.pixelUm / cells,
      xCell: (light.xPx + 0.5) * cells - 0.5,
      yCell: (light.yPx + 0.5) * cells - 0.5,
      clip: { x0: -margin, y0: -margin, x1: scene.widthPx * cells + margin, y1: scene.heightPx * cells + margin },
      margin,
      align: cells,
    };
    for (const order of pattern.orders) {
      const tile = orderTile(pattern, order, grid, { ...light, softUm, angleDeg });
      if (!tile) continue;
      if (spread) tile.image = smeared(tile.image, spread);
      blur(tile.image, sigmaPx * cells);
      addBinned(image, tile, cells);
    }
  }
  addSky(image, scene);
  return image;
}

/** Adds a tile whose cells are 1 / cells of a pixel. */
function addBinned(image: LinearRgb, tile: Tile, cells: number): void {
  const { widthPx, heightPx } = image;
  const from = tile.image;
  const [left, top] = [tile.x0 / cells, tile.y0 / cells];
  for (let c = 0; c < 3; c++)
    for (let row = 0; row < from.heightPx; row++) {
      const y = top + Math.floor(row / cells);
      if (y < 0 || y >= heightPx) continue;
      for (let col = 0, at = row * from.widthPx; col < from.widthPx; col++, at++) {
        const x = left + Math.floor(col / cells);
        if (x >= 0 && x < widthPx) image.planes[c][y * widthPx + x] += from.planes[c][at];
      }
    }
}

/** Offsets in cells and weights (sum 1) by which a light's face and its trail smear its picture. */
type Spread = { x: number; y: number; weight: number }[];

function spreadKernel(light: Light, scene: Scene, cells: number): Spread | null {
  const [trailX, trailY] = [scene.trailXPx * cells, scene.trailYPx * cells];
  const [width, height] = [light.widthPx * cells, light.heightPx * cells];
  const trailed = Math.hypot(trailX, trailY) >= 0.05;
  const hasFace = width > 0.05 || height > 0.05;
  if (!trailed && !hasFace) return null;
  const points: { x: number; y: number }[] = [];
  const steps = trailed ? Math.ceil(3 * Math.hypot(trailX, trailY)) + 1 : 1;
  const angle = (light.angleDeg * Math.PI) / 180;
  const across = hasFace ? Math.max(3, Math.ceil(2 * width)) : 1;
  const down = hasFace ? Math.max(3, Math.ceil(2 * height)) : 1;
  for (let t = 0; t < steps; t++)
    for (let j = 0; j < down; j++)
      for (let i = 0; i < across; i++) {
        const a = (i + 0.5) / across - 0.5;
        const b = (j + 0.5) / down - 0.5;
        if (hasFace && !light.square && a * a + b * b > 0.25) continue;
        const [w, h] = hasFace ? [a * width, b * height] : [0, 0];
        const along = trailed ? (t + 0.5) / steps : 0;
        points.push({
          x: w * Math.cos(angle) - h * Math.sin(angle) + along * trailX,
          y: w * Math.sin(angle) + h * Math.cos(angle) + along * trailY,
        });
      }
  // Points are shared out over the four cells around each, then equal cells are joined.
  const weights = new Map<string, { x: number; y: number; weight: number }>();
  for (const { x, y } of points) {
    const [x0, y0] = [Math.floor(x), Math.floor(y)];
    for (const [dx, dy] of [
      [0, 0],
      [1, 0],
      [0, 1],
      [1, 1],
    ]) {
      const weight = ((dx ? x - x0 : 1 - x + x0) * (dy ? y - y0 : 1 - y + y0)) / points.length;
      if (weight === 0) continue;
      const key = `${x0 + dx} ${y0 + dy}`;
      const entry = weights.get(key);
      if (entry) entry.weight += weight;
      else weights.set(key, { x: x0 + dx, y: y0 + dy, weight });
    }
  }
  return [...weights.values()];
}

function smeared(sharp: LinearRgb, spread: Spread): LinearRgb {
  const { widthPx, heightPx } = sharp;
  const image = blankImage(widthPx, heightPx);
  const box = litBox(sharp);
  for (const { x, y, weight } of spread)
    for (let c = 0; c < 3; c++) {
      const [from, to] = [sharp.planes[c], image.planes[c]];
      for (let row = Math.max(box.y0, -y); row < Math.min(box.y1, heightPx - y); row++)
        for (let col = Math.max(box.x0, -x); col < Math.min(box.x1, widthPx - x); col++)
          to[(row + y) * widthPx + col + x] += weight * from[row * widthPx + col];
    }
  return image;
}

/** Smallest box holding every pixel with light. */
function litBox(image: LinearRgb): Box {
  const { widthPx, heightPx, planes } = image;
  let [x0, x1, y0, y1] = [widthPx, 0, heightPx, 0];
  for (let y = 0; y < heightPx; y++)
    for (let x = 0; x < widthPx; x++)
      if (planes[0][y * widthPx + x] > 0 || planes[1][y * widthPx + x] > 0 || planes[2][y * widthPx + x] > 0) {
        x0 = Math.min(x0, x);
        x1 = Math.max(x1, x + 1);
        y0 = Math.min(y0, y);
        y1 = Math.max(y1, y + 1);
      }
  return { x0, x1, y0, y1 };
}

/** Gaussian blur in place, only around what is lit. */
export function blur(image: LinearRgb, sigmaPx: number): void {
  if (sigmaPx < 0.05) return;
  const kernel = gaussianKernel(sigmaPx);
  const reach = kernel.length - 1;
  const { widthPx, heightPx, planes } = image;
  const lit = litBox(image);
  const x0 = Math.max(0, lit.x0 - reach);
  const x1 = Math.min(widthPx, lit.x1 + reach);
  const y0 = Math.max(0, lit.y0 - reach);
  const y1 = Math.min(heightPx, lit.y1 + reach);
  if (x1 <= x0 || y1 <= y0) return;
  const width = x1 - x0;
  const height = y1 - y0;
  const line = new Float32Array(width + 2 * reach);
  const rows = new Float32Array(width * (height + 2 * reach));
  for (const plane of planes) {
    // Along x into `rows`, which has `reach` empty rows above and below; then along y back.
    for (let y = 0; y < height; y++) {
      const start = (y + y0) * widthPx + x0;
      line.set(plane.subarray(start, start + width), reach);
      const out = (y + reach) * width;
      for (let x = 0; x < width; x++) {
        let value = kernel[0] * line[x + reach];
        for (let k = 1; k <= reach; k++) value += kernel[k] * (line[x + reach - k] + line[x + reach + k]);
        rows[out + x] = value;
      }
    }
    for (let y = 0; y < height; y++) {
      const out = (y + y0) * widthPx + x0;
      const middle = (y + reach) * width;
      for (let x = 0; x < width; x++) plane[out + x] = kernel[0] * rows[middle + x];
      for (let k = 1; k <= reach; k++) {
        const weight = kernel[k];
        const above = middle - k * width;
        const below = middle + k * width;
        for (let x = 0; x < width; x++) plane[out + x] += weight * (rows[above + x] + rows[below + x]);
      }
    }
  }
}

/** Half of a symmetric kernel of exactly the wanted variance, from its middle outwards. */
function gaussianKernel(sigmaPx: number): number[] {
  if (sigmaPx < 0.4) return [1 - sigmaPx ** 2, sigmaPx ** 2 / 2]; // too narrow to sample: match the variance
  const reach = Math.ceil(4 * sigmaPx);
  const half = Array.from({ length: reach + 1 }, (_, i) => Math.exp(-0.5 * (i / sigmaPx) ** 2));
  const sum = half.reduce((a, b) => a + b) * 2 - half[0];
  return half.map((value) => value / sum);
}
