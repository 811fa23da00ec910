/**
 * The three-grating mask: which part of the entrance pupil each grating covers, and what that
 * makes of defocus. Pupil coordinates are in units of the pupil diameter D: the pupil is the
 * disc of radius 0.5, first axis along u (the middle grating's dispersion), second along n.
 */

export type Zone = 'middle' | 'plus' | 'minus';

/**
 * 'half': middle grating on one half disc, outer gratings on the quarter discs of the other half.
 * 'strips-u': three equal strips side by side along u, the middle grating on the centre strip.
 * 'strips-n': three equal strips side by side along n, the middle grating on an end strip.
 */
export type ZoneLayout = 'half' | 'strips-u' | 'strips-n';

export const ZONE_LAYOUTS: readonly ZoneLayout[] = ['half', 'strips-u', 'strips-n'];

export interface Mask {
  name: string;
  layout: ZoneLayout;
  /**
   * Which way round the mask sits, learned from a calibration turn, null until then.
   * +1 as in the drawing (half: middle grating at +n; strips-n: middle at +n; strips-u: see handedness);
   * −1 turned by 180°. Turning by 180° changes the sign of k.
   */
  orientation: 1 | -1 | null;
  /** +1 when the grating turned by +θ sits on the side of +u (strips-n: on the centre strip), −1 the other way, null unknown. */
  handedness: 1 | -1 | null;
  /** Grating pitch, µm (all three alike), null unknown. */
  pitchUm: number | null;
  /** Nominal angle between outer and middle gratings, null unknown (then the measured one serves). */
  outerAngleDeg: number | null;
  /** Width of the opaque rib between zones, in units of D. */
  ribD: number;
  /** Open fraction of each grating's period. */
  duty: number;
  /** How pitch and outer angle were learned from a test shot; null or absent when they were typed. */
  learned?: LearnedMask | null;
}

/** How sure the pitch and outer angle of a mask are that were measured in a photograph. */
export interface LearnedMask {
  timeUtc: string;
  /** Focal length taken for the lens. */
  focalMm: number;
  pitchSigmaUm: number;
  outerAngleSigmaDeg: number;
  /** Relative σ of the pitch for the same lens at the same focal length, whose own error then cancels. */
  scaleSigma: number;
}

/** The mask assumed when the user names none. */
export const DEFAULT_MASK: Mask = {
  name: 'half-and-quarters mask',
  layout: 'half',
  orientation: null,
  handedness: null,
  pitchUm: null,
  outerAngleDeg: null,
  ribD: 0,
  duty: 0.5,
};

/**
 * Zone at pupil point (u, n), drawing orientation (+1), or null on a rib or outside the pupil.
 * @param u along the middle grating's dispersion, units of D
 * @param n across it, units of D
 */
export function zoneAt(layout: ZoneLayout, handedness: 1 | -1, ribD: number, u: number, n: number): Zone | null {
  if (u * u + n * n > 0.25) return null;
  const rib = ribD / 2;
  const plusAt = (onPositive: boolean): Zone => (onPositive === (handedness === 1) ? 'plus' : 'minus');
  switch (layout) {
    case 'half':
      if (Math.abs(n) < rib) return null;
      if (n > 0) return 'middle';
      return Math.abs(u) < rib ? null : plusAt(u > 0);
    case 'strips-u':
      if (Math.abs(Math.abs(u) - 1 / 6) < rib) return null;
      return Math.abs(u) < 1 / 6 ? 'middle' : plusAt(u > 0);
    case 'strips-n':
      if (Math.abs(Math.abs(n) - 1 / 6) < rib) return null;
      if (n > 1 / 6) return 'middle';
      return plusAt(n > -1 / 6);
  }
}

/** A mask's zones as far as the spots' shapes depend on them. */
export interface ZoneShape {
  layout: ZoneLayout;
  handedness: 1 | -1;
  /** Width of the opaque rib between zones, in units of D. */
  ribD: number;
}

/** An edge of a zone: pupil points with u · U + n · N > least are on the zone's side of it. */
export interface ZoneEdge {
  u: number;
  n: number;
  least: number;
}

/** The edges that cut a zone out of the pupil's disc, drawing orientation: the zones of `zoneAt`, which are all convex. */
export function zoneEdges({ layout, handedness, ribD }: ZoneShape, zone: Zone): ZoneEdge[] {
  const rib = ribD / 2;
  const beyond = (u: number, n: number, least: number): ZoneEdge => ({ u, n, least });
  const side = zone === 'plus' ? handedness : -handedness;
  switch (layout) {
    case 'half':
      return zone === 'middle' ? [beyond(0, 1, rib)] : [beyond(0, -1, rib), beyond(side, 0, rib)];
    case 'strips-u':
      if (zone === 'middle') return [beyond(1, 0, rib - 1 / 6), beyond(-1, 0, rib - 1 / 6)];
      return [beyond(side, 0, 1 / 6 + rib)];
    case 'strips-n':
      if (zone === 'middle') return [beyond(0, 1, 1 / 6 + rib)];
      return side === 1 ? [beyond(0, 1, rib - 1 / 6), beyond(0, -1, rib - 1 / 6)] : [beyond(0, -1, 1 / 6 + rib)];
  }
}

/** Mean position and area of each zone. */
export type ZoneCentroids = Record<Zone, { u: number; n: number; areaD2: number }>;

/**
 * Zone centroids in drawing orientation, by summing the pupil on a grid.
 * @param obstructionD diameter of a central obstruction, units of D
 */
export function zoneCentroids(
  layout: ZoneLayout,
  handedness: 1 | -1 = 1,
  ribD = 0,
  obstructionD = 0,
  gridSize = 600,
): ZoneCentroids {
  const sums = zoneSums({ layout, handedness, ribD }, obstructionD, gridSize);
  const centroid = ([count, u, n]: number[]) => ({ u: u / count, n: n / count, areaD2: count / gridSize ** 2 });
  return { middle: centroid(sums.middle), plus: centroid(sums.plus), minus: centroid(sums.minus) };
}

/** Number of each zone's grid points, and sums of their u and n. */
function zoneSums({ layout, handedness, ribD }: ZoneShape, obstructionD: number, gridSize: number) {
  const sums: Record<Zone, number[]> = { middle: [0, 0, 0], plus: [0, 0, 0], minus: [0, 0, 0] };
  for (let i = 0; i < gridSize; i++) {
    const n = (i + 0.5) / gridSize - 0.5;
    for (let j = 0; j < gridSize; j++) {
      const u = (j + 0.5) / gridSize - 0.5;
      if (u * u + n * n < (obstructionD / 2) ** 2) continue;
      const zone = zoneAt(layout, handedness, ribD, u, n);
      if (!zone) continue;
      const sum = sums[zone];
      sum[0] += 1;
      sum[1] += u;
      sum[2] += n;
    }
  }
  return sums;
}

/**
 * Offset of the middle line from the crossing of the outer lines when the zones are displaced
 * by the given vectors (any unit; the result has it too), positive along n.
 */
export function offsetOfShifts(shift: Record<Zone, { u: number; n: number }>, outerAngleDeg: number): number {
  const tan = Math.tan((outerAngleDeg * Math.PI) / 180);
  const crossing = (shift.plus.n + shift.minus.n) / 2 + (tan / 2) * (shift.minus.u - shift.plus.u);
  return shift.middle.n - crossing;
}

/** k and its uncertainty from what is not known of the mask. */
export interface OffsetSlope {
  k: number;
  /** Half the spread of k over an unknown handedness; 0 when it is known or does not matter. */
  kSigma: number;
}

/**
 * The slope k of `offset_um = k · dz_um / N`. With unknown orientation k is taken for +1; with
 * unknown handedness the mean of both is given and half their difference as kSigma.
 * @throws RangeError when k is 0 (or 0 within its uncertainty), since no defocus could be told from the offset
 */
export function offsetSlope(mask: Mask, measuredOuterAngleDeg: number): OffsetSlope {
  const angleDeg = mask.outerAngleDeg ?? measuredOuterAngleDeg;
  const slopeFor = (handedness: 1 | -1) => offsetOfShifts(cachedCentroids({ ...mask, handedness }), angleDeg);
  const sign = mask.orientation ?? 1;
  let k: number;
  let kSigma = 0;
  if (mask.handedness !== null) k = slopeFor(mask.handedness);
  else if (mask.layout === 'strips-u') k = Math.abs(slopeFor(1));
  else {
    const [a, b] = [slopeFor(1), slopeFor(-1)];
    k = (a + b) / 2;
    kSigma = Math.abs(a - b) / 2;
  }
  if (!(Math.abs(k) > Math.max(1e-3, kSigma)))
    throw new RangeError(
      `mask "${mask.name}" has k = 0: its offset does not change with defocus; check layout and angle`,
    );
  return { k: sign * k, kSigma };
}

const centroidCache = new Map<string, ZoneCentroids>();

/** Zone centroids of a mask, computed once. */
export function cachedCentroids({ layout, handedness, ribD }: ZoneShape): ZoneCentroids {
  const key = `${layout} ${handedness} ${ribD}`;
  let centroids = centroidCache.get(key);
  if (!centroids) {
    centroids = zoneCentroids(layout, handedness, ribD);
    centroidCache.set(key, centroids);
  }
  return centroids;
}
