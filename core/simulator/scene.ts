import { gratingDirection, type PupilOptics } from '../optics/diffraction.ts';
import { orderDistanceUm, REFERENCE_WAVELENGTH_UM } from '../optics/formulas.ts';
import { type Mask, offsetOfShifts, type Zone, zoneAt } from '../optics/mask.ts';

/** Something that shines through the lens: a star, a planet's disc, a lamp. */
export interface Light {
  xPx: number;
  yPx: number;
  /** Electrons it would give in the whole frame through a mask with no zone dimmed (R/4 + G/2 + B/4). */
  photoelectrons: number;
  /** Black-body temperature, its colour. */
  temperatureK: number;
  /** Size of its (elliptical or, with `square`, rectangular) face in the picture; 0 for a star. */
  widthPx: number;
  heightPx: number;
  angleDeg: number;
  square: boolean;
}

/** Everything that decides a simulated picture. */
export interface Scene {
  widthPx: number;
  heightPx: number;
  /** The star that is measured. */
  star: Light;
  otherLights: Light[];

  focalMm: number;
  fNumber: number;
  /** Size on the sensor of one frame pixel, µm. */
  pixelUm: number;
  /** Distance of the sensor behind the star's focus, µm. */
  dzUm: number;
  /** W040: spherical aberration at the pupil's edge, waves at 550 nm. */
  sphericalWaves: number;
  /** Central obstruction, units of the pupil diameter. */
  obstructionD: number;
  /** Off-axis vignetting: the pupil's part outside a second one, moved by so many D, is dark. */
  vignettingD: number;
  /** Direction of that move in the picture. */
  vignettingAngleDeg: number;
  /** Straight iris blades, 0 for a round aperture. */
  blades: number;
  /** Vanes in the aperture (a spider), 0 for none. */
  vanes: number;
  vaneWidthD: number;
  /** Direction of the first blade corner and vane in the picture. */
  bladeAngleDeg: number;

  /** null: no mask in front of the lens. Unknown (null) fields of the mask count as +1, and as below. */
  mask: Mask | null;
  /** Direction of the mask's +u axis in the picture, from +x towards +y, any angle. */
  maskRotationDeg: number;
  outerAngleDeg: number;
  pitchUm: number;
  /** Share of the light each zone lets through. */
  zoneTransmission: Record<Zone, number>;
  /** Sideways place of each grating's bars, in periods: sets the phases between overlapping spots. */
  gratingPhase: Record<Zone, number>;

  /** Full width at half maximum of the seeing disc (Gaussian), px. */
  seeingPx: number;
  /** How far the star moves during the exposure, px. */
  trailXPx: number;
  trailYPx: number;

  /** Sky background, electrons per pixel, and its change from one side of the frame to the other. */
  skyE: number;
  skyGradientXE: number;
  skyGradientYE: number;

  /** Electrons that make a pixel white. */
  fullWellE: number;
  readNoiseE: number;
  /** Standard deviation of a common shift of each row, electrons. */
  bandingE: number;
  /** Number of pixels with a fixed extra signal, up to `hotPixelE` electrons. */
  hotPixels: number;
  hotPixelE: number;
  /** One colour per pixel, then interpolated; false: three full colours per pixel (a reduced picture). */
  bayer: boolean;
  /** Strength of unsharp masking in the camera, 0 for none. */
  sharpen: number;
  /** 'contrast': the sRGB curve with a steeper middle, as cameras' picture styles have it. */
  tone: 'srgb' | 'contrast';
  /** Level of no light as share of white; keeps dark noise from being cut off. */
  pedestal: number;
  /** For whoever encodes the frame. */
  jpegQuality: number;
  seed: number;
}

/** A point-like light. */
export function star(xPx: number, yPx: number, photoelectrons: number, temperatureK = 6500): Light {
  return { xPx, yPx, photoelectrons, temperatureK, widthPx: 0, heightPx: 0, angleDeg: 0, square: false };
}

/** Picture size of an angular diameter in arc seconds (for planets), px. */
export function arcsecToPx(arcsec: number, focalMm: number, pixelUm: number): number {
  return ((arcsec / 206264.806) * focalMm * 1000) / pixelUm;
}

/** A plain good case, to be changed field by field. */
export function defaultScene(changes: Partial<Scene> = {}): Scene {
  return {
    widthPx: 1024,
    heightPx: 680,
    star: star(511.3, 339.6, 200_000),
    otherLights: [],
    focalMm: 24,
    fNumber: 2.8,
    pixelUm: 1.2,
    dzUm: 0,
    sphericalWaves: 0,
    obstructionD: 0,
    vignettingD: 0,
    vignettingAngleDeg: 0,
    blades: 0,
    vanes: 0,
    vaneWidthD: 0,
    bladeAngleDeg: 0,
    mask: {
      name: 'half-and-quarters mask',
      layout: 'half',
      orientation: 1,
      handedness: 1,
      pitchUm: 175,
      outerAngleDeg: 20,
      ribD: 0,
      duty: 0.5,
    },
    maskRotationDeg: 0,
    outerAngleDeg: 20,
    pitchUm: 175,
    zoneTransmission: { middle: 1, plus: 1, minus: 1 },
    gratingPhase: { middle: 0, plus: 0, minus: 0 },
    seeingPx: 0.8,
    trailXPx: 0,
    trailYPx: 0,
    skyE: 20,
    skyGradientXE: 0,
    skyGradientYE: 0,
    fullWellE: 4000,
    readNoiseE: 4,
    bandingE: 0,
    hotPixels: 0,
    hotPixelE: 2000,
    bayer: false,
    sharpen: 0,
    tone: 'srgb',
    pedestal: 0,
    jpegQuality: 92,
    seed: 1,
    ...changes,
  };
}

/** What a perfect measurement of the scene would say. */
export interface Truth {
  pattern: boolean;
  starXPx: number;
  starYPx: number;
  /** Rigid shift of the zones' mean rays, along the normalised n. */
  offsetPx: number;
  /** Middle and outer spots overlap on one side: only the sign is to be judged. */
  merged: boolean;
  /** In (−90, 90]. */
  middleAngleDeg: number;
  outerAngleDeg: number;
  /** At 550 nm. */
  spotDistancePx: number;
  dzUm: number;
  /** offset_um = k · dz_um / N for the normalised n (without spherical aberration). */
  k: number;
  N: number;
  focalMm: number;
  pixelUm: number;
  quarterUm: number;
  layout: string | null;
}

/** Wavefront and gratings of a scene, for the diffraction integral. */
export function pupilOptics(scene: Scene): PupilOptics {
  return {
    duty: scene.mask === null ? 1 : scene.mask.duty,
    periodsAcross: (scene.focalMm * 1000) / (scene.fNumber * scene.pitchUm),
    outerAngleDeg: scene.outerAngleDeg,
    phasePeriods: scene.gratingPhase,
    fNumber: scene.fNumber,
    dzUm: scene.dzUm,
    sphericalUm: scene.sphericalWaves * REFERENCE_WAVELENGTH_UM,
  };
}

/** Direction of the pupil's +u axis in the picture, degrees: the mask's, turned round for orientation −1. */
export function pupilAngleDeg(scene: Scene): number {
  return scene.maskRotationDeg + (scene.mask?.orientation === -1 ? 180 : 0);
}

/** Centre of the second pupil that vignetting cuts with, (u, n) in D; undefined without vignetting. */
export function vignettingCut(scene: Scene): { u: number; n: number } | undefined {
  if (scene.vignettingD === 0) return undefined;
  const angle = ((scene.vignettingAngleDeg - pupilAngleDeg(scene)) * Math.PI) / 180;
  return { u: scene.vignettingD * Math.cos(angle), n: scene.vignettingD * Math.sin(angle) };
}

/** A zone's centroid, and its mean of r² (u, n), which is what spherical aberration moves it by. */
type ZoneMoments = Record<Zone, { u: number; n: number; rru: number; rrn: number }>;

const momentsCache = new Map<string, ZoneMoments>();

/** Moments of the open part of each zone, units of D, in drawing orientation. */
export function zoneMoments(scene: Scene, mask: Mask): ZoneMoments {
  const { obstructionD } = scene;
  const cut = vignettingCut(scene);
  const key = `${mask.layout} ${mask.handedness ?? 1} ${mask.ribD} ${obstructionD} ${cut?.u} ${cut?.n}`;
  const cached = momentsCache.get(key);
  if (cached) return cached;
  const size = 600;
  const sums = { middle: [0, 0, 0, 0, 0], plus: [0, 0, 0, 0, 0], minus: [0, 0, 0, 0, 0] };
  for (let row = 0; row < size; row++) {
    const n = (row + 0.5) / size - 0.5;
    for (let col = 0; col < size; col++) {
      const u = (col + 0.5) / size - 0.5;
      const rr = u * u + n * n;
      if (rr < (obstructionD / 2) ** 2) continue;
      if (cut && (u - cut.u) ** 2 + (n - cut.n) ** 2 > 0.25) continue;
      const zone = zoneAt(mask.layout, mask.handedness ?? 1, mask.ribD, u, n);
      if (!zone) continue;
      [1, u, n, rr * u, rr * n].forEach((value, i) => {
        sums[zone][i] += value;
      });
    }
  }
  const mean = ([count, u, n, rru, rrn]: number[]) => ({
    u: u / count,
    n: n / count,
    rru: rru / count,
    rrn: rrn / count,
  });
  const moments = { middle: mean(sums.middle), plus: mean(sums.plus), minus: mean(sums.minus) };
  momentsCache.set(key, moments);
  return moments;
}

/** Truth of a scene; the offset is computed from the pupil's geometry, not from the picture. */
export function truth(scene: Scene): Truth {
  const mask = scene.mask;
  const base = {
    starXPx: scene.star.xPx + scene.trailXPx / 2,
    starYPx: scene.star.yPx + scene.trailYPx / 2,
    outerAngleDeg: scene.outerAngleDeg,
    spotDistancePx: orderDistanceUm(scene.focalMm, scene.pitchUm) / scene.pixelUm,
    dzUm: scene.dzUm,
    N: scene.fNumber,
    focalMm: scene.focalMm,
    pixelUm: scene.pixelUm,
    quarterUm: 2 * REFERENCE_WAVELENGTH_UM * scene.fNumber ** 2,
  };
  if (mask === null)
    return { ...base, pattern: false, offsetPx: 0, merged: false, middleAngleDeg: 0, k: 0, layout: null };

  // Normalising u to (−90°, 90°] turns n round with it, and so the signs of offset and k.
  const angle = pupilAngleDeg(scene);
  let middleAngleDeg = angle - 180 * Math.ceil((angle - 90) / 180);
  if (middleAngleDeg === 0) middleAngleDeg = 0; // no −0
  const sign = Math.round((angle - middleAngleDeg) / 180) % 2 === 0 ? 1 : -1;

  // A ray through pupil point x lands at x · (dz / N + 64 W N x²), W being W040 as a length.
  const moments = zoneMoments(scene, mask);
  const perUnit = scene.dzUm / scene.fNumber;
  const perCube = 64 * scene.sphericalWaves * REFERENCE_WAVELENGTH_UM * scene.fNumber;
  const shift = ({ u, n, rru, rrn }: ZoneMoments[Zone]) => ({
    u: u * perUnit + rru * perCube,
    n: n * perUnit + rrn * perCube,
  });
  const shifts = { middle: shift(moments.middle), plus: shift(moments.plus), minus: shift(moments.minus) };
  return {
    ...base,
    pattern: true,
    offsetPx: (sign * offsetOfShifts(shifts, scene.outerAngleDeg)) / scene.pixelUm,
    merged: spotsOverlap(scene, shifts),
    middleAngleDeg,
    k: sign * offsetOfShifts(moments, scene.outerAngleDeg),
    layout: mask.layout,
  };
}

/** Whether a middle and an outer spot stand closer than their blur and one λN of diffraction. */
function spotsOverlap(scene: Scene, shifts: Record<Zone, { u: number; n: number }>): boolean {
  const distanceUm = orderDistanceUm(scene.focalMm, scene.pitchUm);
  const reachUm = (0.5 * Math.abs(scene.dzUm)) / scene.fNumber + REFERENCE_WAVELENGTH_UM * scene.fNumber;
  for (const side of [1, -1])
    for (const outer of ['plus', 'minus'] as const) {
      const place = (zone: Zone) => {
        const direction = gratingDirection(zone, scene.outerAngleDeg);
        return {
          u: side * distanceUm * direction.u + shifts[zone].u,
          n: side * distanceUm * direction.n + shifts[zone].n,
        };
      };
      const [a, b] = [place('middle'), place(outer)];
      if (Math.abs(a.n - b.n) < reachUm && Math.abs(a.u - b.u) < 2 * reachUm) return true;
    }
  return false;
}
