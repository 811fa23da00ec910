import type { Reading, Spot } from '../core/measurement.ts';

const INK = '#ff4026';
/** Half width of the close-up, in spot distances. */
const REACH = 1.75;
/** The same without a measurement, frame pixels. */
const REACH_UNKNOWN_PX = 80;
/** A first-order spectrum reaches to about 680/550 of the distance of its 550 nm point. */
const SPECTRUM_END = 1.25;

/** Square part of the frame around the star that the close-up shows, frame pixels. */
export interface Region {
  xPx: number;
  yPx: number;
  reachPx: number;
}

/** Where the star and its pattern are; null when no star is seen. */
export function regionOf(reading: Reading): Region | null {
  if (!reading.star) return null;
  const { xPx, yPx } = reading.star;
  return { xPx, yPx, reachPx: reading.status === 'measured' ? reading.spotDistancePx * REACH : REACH_UNKNOWN_PX };
}

/** How frame coordinates become canvas coordinates. */
interface View {
  scale: number;
  left: number;
  top: number;
}

/** Draws the region as large as the canvas allows, the whole frame without one, with marks at the six spots. */
export function drawCloseUp(
  context: CanvasRenderingContext2D,
  picture: ImageBitmap,
  reading: Reading,
  region: Region | null,
): void {
  const view = region ? viewOf(context, picture, region) : wholeView(context, picture);
  paint(context, picture, view);
  if (reading.status !== 'measured') return;
  const star = toCanvas(view, reading.star.xPx, reading.star.yPx);
  for (const spot of reading.spots) mark(context, view, star, spot);
}

/** Draws the whole frame with small corners round the region. */
export function drawWhole(context: CanvasRenderingContext2D, picture: ImageBitmap, region: Region | null): void {
  const view = wholeView(context, picture);
  paint(context, picture, view);
  if (region) corners(context, toCanvas(view, region.xPx, region.yPx), region.reachPx * view.scale);
}

function viewOf({ canvas }: CanvasRenderingContext2D, picture: ImageBitmap, { xPx, yPx, reachPx }: Region): View {
  const widestPx = Math.min(picture.width, picture.height);
  const scale = Math.min(canvas.width, canvas.height) / Math.min(2 * reachPx, widestPx);
  return { scale, left: canvas.width / 2 - (xPx + 0.5) * scale, top: canvas.height / 2 - (yPx + 0.5) * scale };
}

function wholeView({ canvas }: CanvasRenderingContext2D, { width, height }: ImageBitmap): View {
  const scale = Math.min(canvas.width / width, canvas.height / height);
  return { scale, left: (canvas.width - width * scale) / 2, top: (canvas.height - height * scale) / 2 };
}

function paint(context: CanvasRenderingContext2D, picture: ImageBitmap, { scale, left, top }: View): void {
  context.fillStyle = '#000';
  context.fillRect(0, 0, context.canvas.width, context.canvas.height);
  context.drawImage(picture, left, top, picture.width * scale, picture.height * scale);
}

/** Pixel centres are at integers, hence the half. */
function toCanvas({ scale, left, top }: View, xPx: number, yPx: number): { x: number; y: number } {
  return { x: left + (xPx + 0.5) * scale, y: top + (yPx + 0.5) * scale };
}

/**
 * A mark beyond the spot on the ray from the star, leaving the spot free: a wedge pointing at each
 * middle spot, a small angle bracket behind each outer one.
 */
function mark(context: CanvasRenderingContext2D, view: View, star: { x: number; y: number }, spot: Spot): void {
  const size = Math.max(6, Math.min(context.canvas.width, context.canvas.height) / 40);
  const at = toCanvas(view, spot.xPx, spot.yPx);
  const ray = Math.atan2(at.y - star.y, at.x - star.x);
  const distance = Math.hypot(at.x - star.x, at.y - star.y) * SPECTRUM_END + size * 0.7;
  context.save();
  context.translate(star.x + Math.cos(ray) * distance, star.y + Math.sin(ray) * distance);
  context.rotate(ray);
  context.beginPath();
  if (spot.pair === 'middle') {
    context.moveTo(0, 0);
    context.lineTo(size * 1.3, -size * 0.55);
    context.lineTo(size * 1.3, size * 0.55);
    context.fillStyle = INK;
    context.fill();
  } else {
    context.moveTo(0, -size * 0.7);
    context.lineTo(size * 0.6, 0);
    context.lineTo(0, size * 0.7);
    context.strokeStyle = INK;
    context.lineWidth = Math.max(1.5, size / 5);
    context.stroke();
  }
  context.restore();
}

/** Four small corners of a square around a point. */
function corners(context: CanvasRenderingContext2D, { x, y }: { x: number; y: number }, reach: number): void {
  const length = Math.max(4, reach * 0.3);
  context.strokeStyle = INK;
  context.lineWidth = Math.max(1, context.canvas.height / 150);
  context.beginPath();
  for (const sx of [-1, 1])
    for (const sy of [-1, 1]) {
      context.moveTo(x + sx * reach, y + sy * (reach - length));
      context.lineTo(x + sx * reach, y + sy * reach);
      context.lineTo(x + sx * (reach - length), y + sy * reach);
    }
  context.stroke();
}
