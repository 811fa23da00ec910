/**
 * How sharp the stars are over the field, and what that says of lens and tripod. Blurs add in quadrature, so the
 * squares of the half-flux radii are what is fitted: the square of a defocus that changes linearly over the field
 * (tilt) has a slope and one square term along its direction, a curved field or weak corners have a round one.
 */
import { trailUm } from '../optics/exposure.ts';
import { median } from '../track/fit.ts';
import { chiSquareOfPair, dot, type Regression, regress, sigmaOf } from './regression.ts';
import type { Star, StarList } from './star.ts';
import { trailLengthPx } from './trail.ts';

/** A median with its standard error. */
export interface Amount {
  value: number;
  sigma: number;
}

/** One of 3 × 3 parts of the field; nulls where too few stars stand. */
export interface Cell {
  stars: number;
  hfrPx: Amount | null;
  /** Mean drawing-out and its direction, as in Star. */
  elongation: number | null;
  angleDeg: number | null;
}

/** What is significant. Directions from +x towards +y in the picture; sizes of stars are half-flux radii. */
export type Finding =
  /** Disc-like stars everywhere: out of focus. `discPx` is the disc's diameter. */
  | { kind: 'defocus'; discPx: number }
  /** Softer towards `towardsDeg`; with `band` a sharp band with soft sides across that direction. */
  | { kind: 'tilt'; towardsDeg: number; band: boolean; sharpPx: number; softPx: number }
  /** Round stars, softer towards the corners, or towards the middle. */
  | { kind: 'curvature'; softer: 'corners' | 'middle'; middlePx: number; cornerPx: number }
  /** Softer and drawn out along or across the radius towards the corners: the lens's own errors. */
  | { kind: 'corners'; along: 'radius' | 'circle'; middlePx: number; cornerPx: number }
  /** All stars drawn out the same way: by the sky's turning, by more than it gives, or (exposure not known) either. */
  | { kind: 'trail' | 'shake' | 'motion'; lengthPx: number; angleDeg: number; skyPx: number | null };

export interface FieldMap {
  widthPx: number;
  heightPx: number;
  stars: number;
  /** Stars with a signal-to-noise below 10. */
  dim: number;
  saturated: number;
  /** Stars that the figures below rest on. */
  used: number;
  hfrPx: Amount | null;
  fwhmPx: Amount | null;
  elongation: number | null;
  /** Row by row from the upper left. */
  cells: Cell[];
  /** For `hfrAt`: coefficients of the squared half-flux radius, px²; null with too few stars. */
  fit: number[] | null;
  findings: Finding[];
}

/** What is known of the exposure; nulls where it is not. */
export interface Exposure {
  exposureS: number | null;
  focalMm: number | null;
  pixelUm: number | null;
}

/** Signal-to-noise from which on a star's shape counts. */
const CLEAR_SNR = 15;
const DIM_SNR = 10;
const CELLS = 3;
/** Fewer stars say nothing of a cell, and of the field. */
const FEW_IN_CELL = 3;
const FEW = 25;
/** Chi-square of two degrees of freedom with a chance of 1 in 20,000, and the same for one in σ. */
const SURE_PAIR = 20;
const SURE = 4.1;
/** What is smaller than this part of the width does not show in a picture, however sure. */
const SEEN = 0.08;
/** Beyond this part of the half diagonal a star is in the outer field. */
const OUTER = 0.7;
/** `spread` of an even disc is 1.26, of a Gaussian 1.52. */
const DISC_SPREAD = 1.42;

/** The next even terms are taken about this square of the radius, where most stars are: there they hardly mix with the square terms. */
const MOST = 0.45;

/** Terms of the fit at u, v from the middle in half diagonals. */
const terms = (u: number, v: number) => {
  const rr = u * u + v * v;
  const [along, across] = [u * u - v * v, 2 * u * v];
  const higher = rr - MOST;
  return [1, u, v, rr, along, across, rr * higher, along * higher, across * higher];
};

/** Half-flux radius by the smooth fit, px. @param u, v from the middle of the field, in half diagonals */
export function hfrAt(fit: number[], u: number, v: number): number {
  return Math.sqrt(Math.max(0, dot(terms(u, v), fit)));
}

export function mapField(list: StarList, exposure: Exposure): FieldMap {
  const { widthPx, heightPx, stars } = list;
  const clear = stars.filter((star) => star.snr >= CLEAR_SNR && !star.saturated);
  const place = ({ xPx, yPx }: Star) => {
    const half = Math.hypot(widthPx, heightPx) / 2;
    return { u: (xPx + 0.5 - widthPx / 2) / half, v: (yPx + 0.5 - heightPx / 2) / half };
  };
  const widths = widthFit(clear, place);
  const ovals = ovalFit(clear, place);
  return {
    widthPx,
    heightPx,
    stars: stars.length,
    dim: stars.filter((star) => star.snr < DIM_SNR).length,
    saturated: stars.filter((star) => star.saturated).length,
    used: clear.length,
    hfrPx: middleOf(clear.map((star) => star.hfrPx)),
    fwhmPx: middleOf(clear.map((star) => star.fwhmPx)),
    elongation: clear.length < FEW_IN_CELL ? null : median(clear.map((star) => star.elongation)),
    cells: cellsOf(clear, widthPx, heightPx),
    fit: widths && [...widths.coefficients],
    findings: widths && ovals ? findingsOf(clear, place, widths, ovals, exposure) : [],
  };
}

export function middleOf(values: number[]): Amount | null {
  if (values.length < FEW_IN_CELL) return null;
  const value = median(values);
  // Standard error of a median, from the median deviation.
  const sigma = (1.2533 * 1.4826 * median(values.map((each) => Math.abs(each - value)))) / Math.sqrt(values.length);
  return { value, sigma };
}

/** Index of the part of the field that a place lies in, row by row. */
export function cellOf(xPx: number, yPx: number, widthPx: number, heightPx: number): number {
  const part = (at: number, size: number) => Math.min(CELLS - 1, Math.max(0, Math.floor((CELLS * (at + 0.5)) / size)));
  return CELLS * part(yPx, heightPx) + part(xPx, widthPx);
}

function cellsOf(clear: Star[], widthPx: number, heightPx: number): Cell[] {
  return Array.from({ length: CELLS ** 2 }, (_, index) => {
    const inside = clear.filter((star) => cellOf(star.xPx, star.yPx, widthPx, heightPx) === index);
    if (inside.length < FEW_IN_CELL) return { stars: inside.length, hfrPx: null, elongation: null, angleDeg: null };
    const [along, across] = [0, 1].map((i) => median(inside.map((star) => ovalOf(star)[i] / star.fwhmPx ** 2)));
    // Half the difference of the squared axes over their product: sinh of the logarithm of their ratio.
    const ratio = Math.exp(Math.asinh(Math.hypot(along, across) / 2));
    return {
      stars: inside.length,
      hfrPx: middleOf(inside.map((star) => star.hfrPx)),
      elongation: ratio,
      angleDeg: (Math.atan2(across, along) * 90) / Math.PI,
    };
  });
}

type Place = (star: Star) => { u: number; v: number };

/** Squared radii over the field. Scatter goes with the size: the first fit tells how large stars are where. */
function widthFit(clear: Star[], place: Place): Regression | null {
  if (clear.length < FEW) return null;
  const rows = clear.map((star) => terms(place(star).u, place(star).v));
  const values = clear.map((star) => star.hfrPx ** 2);
  const middle = median(values);
  let scales = values.map(() => middle);
  let fit: Regression | null = null;
  for (let round = 0; round < 3; round++) {
    fit = regress(rows, values, scales);
    if (!fit) return null;
    const { coefficients } = fit;
    scales = rows.map((row) => Math.max(0.2 * middle, dot(row, coefficients)));
  }
  return fit;
}

/** Difference of the squared axes along x and along the diagonal, px²: adds up like the squares of the widths. */
function ovalOf({ fwhmPx, elongation, angleDeg }: Star): [number, number] {
  const difference = fwhmPx ** 2 * (elongation - 1 / elongation);
  const twice = (angleDeg * Math.PI) / 90;
  return [difference * Math.cos(twice), difference * Math.sin(twice)];
}

/** Coefficients: the same everywhere (two), and along the radius, growing towards the corners. */
function ovalFit(clear: Star[], place: Place): Regression | null {
  if (clear.length < FEW) return null;
  const observations = clear.flatMap((star) => {
    const { u, v } = place(star);
    const radius = Math.hypot(u, v);
    const [along, across] = ovalOf(star);
    const scale = star.fwhmPx ** 2;
    return [
      { row: [1, 0, radius * (u * u - v * v)], value: along, scale },
      { row: [0, 1, radius * 2 * u * v], value: across, scale },
    ];
  });
  return regress(
    observations.map(({ row }) => row),
    observations.map(({ value }) => value),
    observations.map(({ scale }) => scale),
  );
}

function findingsOf(clear: Star[], place: Place, widths: Regression, ovals: Regression, exposure: Exposure): Finding[] {
  const findings: Finding[] = [];
  const fit = [...widths.coefficients];
  const typicalPx = median(clear.map((star) => star.hfrPx));
  const shows = (fromPx: number, toPx: number) => Math.abs(toPx - fromPx) > SEEN * typicalPx;

  const motion = motionOf(clear, ovals, exposure);
  if (motion) findings.push(motion);

  const bright = clear.filter((star) => star.snr > 2 * CLEAR_SNR);
  const spread = middleOf(bright.map((star) => star.spread));
  if (!motion && spread && spread.value + SURE * spread.sigma < DISC_SPREAD)
    // Half of an even disc's light lies within 1 / √2 of its radius.
    findings.push({ kind: 'defocus', discPx: 2 * Math.SQRT2 * median(bright.map((star) => star.hfrPx)) });

  const slope = Math.atan2(fit[2], fit[1]);
  const ends = [-0.7, 0.7].map((way) => hfrAt(fit, way * Math.cos(slope), way * Math.sin(slope)));
  const axis = Math.atan2(fit[5], fit[4]) / 2;
  const side = Math.max(...[-0.7, 0.7].map((way) => hfrAt(fit, way * Math.cos(axis), way * Math.sin(axis))));
  const along = Math.max(...[-0.7, 0.7].map((way) => hfrAt(fit, -way * Math.sin(axis), way * Math.cos(axis))));
  if (chiSquareOfPair(widths, 1, 2) > SURE_PAIR && shows(ends[0], ends[1]))
    findings.push({ kind: 'tilt', towardsDeg: degrees(slope), band: false, sharpPx: ends[0], softPx: ends[1] });
  else if (chiSquareOfPair(widths, 4, 5) > SURE_PAIR && shows(along, side))
    findings.push({ kind: 'tilt', towardsDeg: degrees(axis), band: true, sharpPx: along, softPx: side });

  // A tilt's own square term is as large in the round as across its direction; what goes beyond is round by itself.
  const oval = Math.hypot(fit[4], fit[5]) || 1;
  const excess = fit[3] - oval;
  const sure = Math.abs(excess) > SURE * sigmaOf(widths, [0, 0, 0, 1, -fit[4] / oval, -fit[5] / oval, 0, 0, 0]);
  const middlePx = hfrAt(fit, 0, 0);
  const cornerPx = Math.sqrt(Math.max(0, fit[0] + excess + fit[6] * (1 - MOST)));
  if (sure && shows(middlePx, cornerPx)) {
    const radial = ovals.coefficients[2];
    const outer = clear.filter((star) => Math.hypot(place(star).u, place(star).v) > OUTER);
    const drawnOut =
      outer.length > 0 &&
      Math.abs(radial) > SURE * sigmaOf(ovals, [0, 0, 1]) &&
      Math.abs(radial) > 2 * SEEN * median(outer.map((star) => star.fwhmPx ** 2));
    if (drawnOut && excess > 0)
      findings.push({ kind: 'corners', along: radial > 0 ? 'radius' : 'circle', middlePx, cornerPx });
    else findings.push({ kind: 'curvature', softer: excess > 0 ? 'corners' : 'middle', middlePx, cornerPx });
  }
  return findings;
}

/** A trail may come out longer than the sky's turning by so much, by the scatter of the fit. */
const TRAIL_TOLERANCE = 1.2;

function motionOf(clear: Star[], ovals: Regression, { exposureS, focalMm, pixelUm }: Exposure): Finding | null {
  const [along, across] = ovals.coefficients;
  const squared = median(clear.map((star) => star.fwhmPx ** 2));
  const common = Math.hypot(along, across);
  if (chiSquareOfPair(ovals, 0, 1) < SURE_PAIR || common < 2 * SEEN * squared) return null;
  const ratio = Math.exp(Math.asinh(common / squared / 2));
  const lengthPx = trailLengthPx(Math.sqrt(squared * ratio), Math.sqrt(squared / ratio));
  const known = exposureS !== null && focalMm !== null && pixelUm !== null;
  // Longest on the celestial equator.
  const skyPx = known ? trailUm(focalMm, { declinationDeg: 0, offAxisDeg: 0 }, exposureS) / pixelUm : null;
  const kind = skyPx === null ? 'motion' : lengthPx < TRAIL_TOLERANCE * skyPx ? 'trail' : 'shake';
  return { kind, lengthPx, angleDeg: degrees(Math.atan2(across, along) / 2), skyPx };
}

const degrees = (rad: number) => (rad * 180) / Math.PI;
