/** Frames of one faint star that drifts: the same light, drawn once for a few places within a pixel, exposed anew each time. */
import type { PixelImage } from '../../core/frame.ts';
import { expose } from '../../core/simulator/expose.ts';
import { seededRandom } from '../../core/simulator/random.ts';
import { type LinearRgb, renderNoiseFree } from '../../core/simulator/render.ts';
import { defaultScene, type Scene, star } from '../../core/simulator/scene.ts';
import { sceneLimit } from './bound.ts';

const SIZE = 200;
/** The star may drift this far from the middle, px. */
const PAD = 30;
const PHASES = 4;

export interface DriftingStar {
  scene: Scene;
  /** Bound on σ of the offset in one frame, px. */
  boundPx: number;
  /** The next frame, the star `xPx`, `yPx` away from the middle (in quarters of a pixel, and whole ones). */
  frame: (xPx: number, yPx: number) => PixelImage;
}

/** @param spotSnr median peak signal-to-noise of the spots in one frame, as in `Limit` */
export function driftingStar(spotSnr: number, seed: number): DriftingStar {
  // Spots 44 px from the star.
  const plain = defaultScene({
    widthPx: SIZE,
    heightPx: SIZE,
    star: star(SIZE / 2, SIZE / 2, 100_000),
    pitchUm: 250,
    dzUm: 7,
    maskRotationDeg: 25,
    seeingPx: 1.5,
    pedestal: 0.004,
    seed,
  });
  const noJpeg = () => 0;
  const photoelectrons = (plain.star.photoelectrons * spotSnr) / sceneLimit(plain, noJpeg).spotSnr;
  const scene = { ...plain, star: { ...plain.star, photoelectrons } };
  const large = Array.from({ length: PHASES }, (_, phase) =>
    renderNoiseFree({
      ...scene,
      widthPx: SIZE + 2 * PAD,
      heightPx: SIZE + 2 * PAD,
      star: { ...scene.star, xPx: SIZE / 2 + PAD + phase / PHASES, yPx: SIZE / 2 + PAD },
    }),
  );
  const random = seededRandom(seed);
  const cut = (xPx: number, yPx: number): LinearRgb => {
    const [whole, down] = [Math.floor(xPx), Math.round(yPx)];
    const from = large[Math.floor((xPx - whole) * PHASES)];
    const planes = from.planes.map((plane) => {
      const part = new Float32Array(SIZE * SIZE);
      for (let row = 0; row < SIZE; row++) {
        const start = (row + PAD - down) * from.widthPx + PAD - whole;
        part.set(plane.subarray(start, start + SIZE), row * SIZE);
      }
      return part;
    }) as LinearRgb['planes'];
    return { widthPx: SIZE, heightPx: SIZE, planes };
  };
  return {
    scene,
    boundPx: sceneLimit(scene, noJpeg).boundPx,
    frame: (xPx, yPx) => expose(cut(xPx, yPx), scene, random),
  };
}

/** Readings of the same offset joined: mean weighted by 1/σ², and its σ. */
export function joined(readings: { offsetPx: number; offsetSigmaPx: number }[]): { offsetPx: number; sigmaPx: number } {
  const weight = readings.reduce((sum, { offsetSigmaPx }) => sum + 1 / offsetSigmaPx ** 2, 0);
  const sum = readings.reduce((sum, { offsetPx, offsetSigmaPx }) => sum + offsetPx / offsetSigmaPx ** 2, 0);
  return { offsetPx: sum / weight, sigmaPx: 1 / Math.sqrt(weight) };
}
