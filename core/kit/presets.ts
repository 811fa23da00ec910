/**
 * Kit to begin with, told by its physics alone: pixel and sensor sizes, focal lengths, grating pitches.
 * The figures are typical ones (common practice, no source); each is there to be corrected.
 */
import { DEFAULT_MASK } from '../optics/mask.ts';
import type { KitCamera, KitLens, KitMask } from './kit.ts';

const camera = (name: string, pixelUm: number, widthPx: number, heightPx: number): KitCamera => ({
  name,
  pixelUm,
  widthPx,
  heightPx,
  liveModes: [
    { magnification: 1, widthPx: 1024 },
    { magnification: 5, widthPx: 1024 },
    { magnification: 10, widthPx: 1024 },
  ],
});

export const CAMERA_PRESETS: readonly KitCamera[] = [
  camera('36 × 24 mm, 6 µm', 6, 6000, 4000),
  camera('36 × 24 mm, 4.4 µm', 4.4, 8192, 5464),
  camera('36 × 24 mm, 3.8 µm', 3.8, 9504, 6336),
  camera('23.5 × 15.7 mm, 3.9 µm', 3.9, 6024, 4024),
  camera('17.3 × 13 mm, 3.3 µm', 3.3, 5240, 3940),
];

const lens = (focalMinMm: number, focalMaxMm: number, fNumber: number): KitLens => ({
  name: `${focalMinMm === focalMaxMm ? focalMinMm : `${focalMinMm}–${focalMaxMm}`} mm f/${fNumber}`,
  focalMinMm,
  focalMaxMm,
  fNumber,
  ring: { unit: 'marks', from: null, to: null, rising: null, backlash: null, barrelDiameterMm: null },
});

export const LENS_PRESETS: readonly KitLens[] = [
  lens(14, 14, 2.8),
  lens(20, 20, 1.8),
  lens(24, 24, 1.4),
  lens(24, 24, 2.8),
  lens(35, 35, 1.4),
  lens(50, 50, 1.8),
  lens(85, 85, 1.8),
  lens(135, 135, 2),
  lens(14, 24, 2.8),
  lens(16, 35, 2.8),
  lens(24, 70, 2.8),
  lens(70, 200, 2.8),
];

const mask = (layout: KitMask['layout'], words: string, pitchUm: number): KitMask => ({
  ...DEFAULT_MASK,
  name: `${words}, ${pitchUm} µm, 20°`,
  layout,
  pitchUm,
  outerAngleDeg: 20,
});

export const MASK_PRESETS: readonly KitMask[] = [
  ...[100, 150, 200, 300, 500].map((pitchUm) => mask('half', 'half and quarters', pitchUm)),
  mask('strips-n', 'three strips, middle one at the end', 150),
  mask('strips-u', 'three strips, middle one between', 150),
];
