/** The Cramér–Rao bound of a simulated scene, from its noise-free picture and the camera's noise. */
import { offsetBoundPx } from '../../core/optics/bound.ts';
import { offsetOfShifts, type Zone, zoneCentroids } from '../../core/optics/mask.ts';
import { renderNoiseFree } from '../../core/simulator/render.ts';
import { pupilAngleDeg, type Scene, truth } from '../../core/simulator/scene.ts';

/** σ of the offset no unbiased estimator can beat in one frame of `scene`, px (JPEG's own noise not counted). */
export function sceneBoundPx(scene: Scene): number {
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
  const directions = zoneShiftDirections(scene);
  if (!Number.isFinite(offsetPx)) return Number.NaN;
  return offsetBoundPx({
    widthPx: cut.widthPx,
    heightPx: cut.heightPx,
    whole: whole.planes,
    zones,
    shift: directions,
    starXPx: cut.star.xPx,
    starYPx: cut.star.yPx,
    variance: (value, channel) => pixelVariance(scene, value, channel),
  });
}

/** Photon, read and quantisation noise of a pixel, electrons². A mosaic sees a quarter or half of each colour. */
function pixelVariance(scene: Scene, electrons: number, channel: number): number {
  const light = electrons / scene.fullWellE + scene.pedestal;
  if (light >= 1) return Number.POSITIVE_INFINITY;
  const variance = Math.max(0, electrons) + scene.readNoiseE ** 2 + (greyStep(light) * scene.fullWellE) ** 2 / 12;
  const share = scene.bayer ? [0.25, 0.5, 0.25][channel] : 1;
  return variance / share;
}

/** Linear light of one 8-bit grey step of the sRGB curve at `light` (derivative of IEC 61966-2-1). */
function greyStep(light: number): number {
  const encoded = light <= 0.0031308 ? 12.92 * light : 1.055 * light ** (1 / 2.4) - 0.055;
  const slope = encoded <= 0.04045 ? 1 / 12.92 : (2.4 / 1.055) * ((encoded + 0.055) / 1.055) ** 1.4;
  return slope / 255;
}

/** Displacement of each zone's spots in the picture per px of offset. */
export function zoneShiftDirections(scene: Scene): Record<Zone, { x: number; y: number }> {
  const mask = scene.mask!;
  const centroids = zoneCentroids(mask.layout, mask.handedness ?? 1, mask.ribD, scene.obstructionD);
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
