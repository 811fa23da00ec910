/** The Cramér–Rao bound of a simulated scene, from its noise-free picture and the camera's noise. */
import { offsetBoundPx } from '../../core/optics/bound.ts';
import { offsetOfShifts, type Zone } from '../../core/optics/mask.ts';
import { toned } from '../../core/simulator/expose.ts';
import { type LinearRgb, renderNoiseFree } from '../../core/simulator/render.ts';
import { pupilAngleDeg, type Scene, truth, zoneMoments } from '../../core/simulator/scene.ts';

/** Mean square by which JPEG changes a pixel's stored value (0…255), by channel and value before. */
export type JpegNoise = (value: number, channel: number) => number;

export interface Limit {
  /** σ of the offset that no unbiased estimator can beat in one frame, JPEG's changes counted as noise, px. */
  boundPx: number;
  /** The same before JPEG: photon, read and quantisation noise alone. */
  rawBoundPx: number;
  /** Median over the six spots of their brightest pixel over its noise without the star, all channels together. */
  spotSnr: number;
}

/**
 * Bounds of one frame of `scene` (its own pixels, whatever the camera makes of them). JPEG is taken as
 * independent noise on each pixel of the size measured on the frame itself; in truth it is related
 * within its blocks. Sharpening is left out: it changes signal and noise alike.
 */
export function sceneLimit(scene: Scene, jpegNoise: JpegNoise): Limit {
  const { offsetPx, spotDistancePx } = truth(scene);
  const reach = Math.ceil(1.75 * spotDistancePx + 8);
  const left = Math.round(scene.star.xPx) - reach;
  const top = Math.round(scene.star.yPx) - reach;
  // Only the pattern's surroundings matter.
  const cut: Scene = {
    ...scene,
    widthPx: 2 * reach + 1,
    heightPx: 2 * reach + 1,
    star: { ...scene.star, xPx: scene.star.xPx - left, yPx: scene.star.yPx - top },
    otherLights: [],
  };
  const whole = renderNoiseFree(cut);
  const dark = { skyE: 0, skyGradientXE: 0, skyGradientYE: 0 };
  const zoneLight = (zone: Zone) => {
    const only = { middle: 0, plus: 0, minus: 0, [zone]: scene.zoneTransmission[zone] };
    const { planes } = renderNoiseFree({ ...cut, ...dark, zoneTransmission: only });
    // The zeroth order stays with the star: only what lies beyond half-way to the first order belongs to the zone.
    const clear = spotDistancePx * 0.5;
    for (const plane of planes)
      for (let y = 0, i = 0; y < cut.heightPx; y++)
        for (let x = 0; x < cut.widthPx; x++, i++)
          if (Math.hypot(x - cut.star.xPx, y - cut.star.yPx) < clear) plane[i] = 0;
    return planes;
  };
  const zones = { middle: zoneLight('middle'), plus: zoneLight('plus'), minus: zoneLight('minus') };
  const none: JpegNoise = () => 0;
  const bound = (jpeg: JpegNoise) =>
    offsetBoundPx({
      widthPx: cut.widthPx,
      heightPx: cut.heightPx,
      whole: whole.planes,
      zones,
      shift: zoneShiftDirections(scene),
      starXPx: cut.star.xPx,
      starYPx: cut.star.yPx,
      variance: (value, channel) => pixelVariance(scene, value, channel, jpeg),
    });
  const known = Number.isFinite(offsetPx);
  return {
    boundPx: known ? bound(jpegNoise) : Number.NaN,
    rawBoundPx: known ? bound(none) : Number.NaN,
    spotSnr: spotSnr(cut, zones, jpegNoise),
  };
}

function spotSnr(cut: Scene, zones: Record<Zone, LinearRgb['planes']>, jpeg: JpegNoise): number {
  const noise = [0, 1, 2].map((channel) => pixelVariance(cut, cut.skyE, channel, jpeg));
  const angle = (pupilAngleDeg(cut) * Math.PI) / 180;
  const peaks = Object.values(zones).flatMap((planes) => {
    const best = [0, 0];
    for (let y = 0, i = 0; y < cut.heightPx; y++)
      for (let x = 0; x < cut.widthPx; x++, i++) {
        const side = (x - cut.star.xPx) * Math.cos(angle) + (y - cut.star.yPx) * Math.sin(angle) > 0 ? 0 : 1;
        const square = planes.reduce((sum, plane, c) => sum + plane[i] ** 2 / noise[c], 0);
        if (square > best[side]) best[side] = square;
      }
    return best.map(Math.sqrt);
  });
  return peaks.sort((a, b) => a - b)[3];
}

/** Photon, read, quantisation and JPEG noise of a pixel, electrons². A mosaic sees a quarter or half of each colour. */
function pixelVariance(scene: Scene, electrons: number, channel: number, jpegNoise: JpegNoise): number {
  const light = Math.max(0, electrons) / scene.fullWellE + scene.pedestal;
  if (light >= 1) return Number.POSITIVE_INFINITY;
  const photons = Math.max(0, electrons) + scene.readNoiseE ** 2;
  const share = scene.bayer ? [0.25, 0.5, 0.25][channel] : 1;
  const stepE = lightOfStep(scene, light) * scene.fullWellE;
  return photons / share + (1 / 12 + jpegNoise(255 * toned(scene.tone, light), channel)) * stepE ** 2;
}

/** Linear light of one 8-bit step of the camera's curve at `light`. */
function lightOfStep({ tone }: Scene, light: number): number {
  const near = Math.min(1e-4, light / 2);
  return (2 * near) / (255 * (toned(tone, light + near) - toned(tone, light - near)));
}

/** Displacement of each zone's spots in the picture per px of offset. */
export function zoneShiftDirections(scene: Scene): Record<Zone, { x: number; y: number }> {
  const mask = scene.mask!;
  const centroids = zoneMoments(scene, mask);
  const k =
    offsetOfShifts(centroids, scene.outerAngleDeg) *
    (Math.cos((pupilAngleDeg(scene) - truth(scene).middleAngleDeg) * (Math.PI / 180)) > 0 ? 1 : -1);
  const angle = (pupilAngleDeg(scene) * Math.PI) / 180;
  const turn = ({ u, n }: { u: number; n: number }) => ({
    x: (u * Math.cos(angle) - n * Math.sin(angle)) / k,
    y: (u * Math.sin(angle) + n * Math.cos(angle)) / k,
  });
  return { middle: turn(centroids.middle), plus: turn(centroids.plus), minus: turn(centroids.minus) };
}
