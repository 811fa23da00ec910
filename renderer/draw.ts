import type { Spot } from '../core/measurement.ts';
import type { VisionResult } from './vision/protocol.ts';
import type { Region, View } from './vision/view.ts';

const INK = '#ff4026';
/** A first-order spectrum reaches to about 680/550 of the distance of its 550 nm point. */
const SPECTRUM_END = 1.25;

/** How frame coordinates become canvas coordinates. */
interface Placement {
  scale: number;
  left: number;
  top: number;
}

/** Draws the close-up as large as the canvas allows, with marks at the six spots. */
export function drawCloseUp(context: CanvasRenderingContext2D, { closeUp, reading }: VisionResult): void {
  const placement = paint(context, closeUp);
  if (reading.status !== 'measured') return;
  const star = toCanvas(placement, reading.star.xPx, reading.star.yPx);
  for (const spot of reading.spots) mark(context, placement, star, spot);
}

/** Draws the whole frame with small corners round the part that the close-up shows. */
export function drawWhole(context: CanvasRenderingContext2D, whole: View, region: Region | null): void {
  const placement = paint(context, whole);
  if (region) corners(context, toCanvas(placement, region.xPx, region.yPx), region.reachPx * placement.scale);
}

/** The view's pixels, to be scaled from. */
const source = new OffscreenCanvas(1, 1);
const sourceContext = source.getContext('2d', { alpha: false })!;

function paint(context: CanvasRenderingContext2D, view: View): Placement {
  const { canvas } = context;
  const { widthPx, heightPx } = view;
  if (source.width !== widthPx || source.height !== heightPx) {
    source.width = widthPx;
    source.height = heightPx;
  }
  sourceContext.putImageData(new ImageData(view.data, widthPx, heightPx), 0, 0);
  const zoom = Math.min(canvas.width / widthPx, canvas.height / heightPx);
  const [left, top] = [(canvas.width - widthPx * zoom) / 2, (canvas.height - heightPx * zoom) / 2];
  context.fillStyle = '#000';
  context.fillRect(0, 0, canvas.width, canvas.height);
  context.drawImage(source, left, top, widthPx * zoom, heightPx * zoom);
  const scale = zoom / view.step;
  return { scale, left: left - view.xPx * scale, top: top - view.yPx * scale };
}

/** Pixel centres are at integers, hence the half. */
function toCanvas({ scale, left, top }: Placement, xPx: number, yPx: number): { x: number; y: number } {
  return { x: left + (xPx + 0.5) * scale, y: top + (yPx + 0.5) * scale };
}

/**
 * A mark beyond the spot on the ray from the star, leaving the spot free: a wedge pointing at each
 * middle spot, a small angle bracket behind each outer one.
 */
function mark(
  context: CanvasRenderingContext2D,
  placement: Placement,
  star: { x: number; y: number },
  spot: Spot,
): void {
  const size = Math.max(6, Math.min(context.canvas.width, context.canvas.height) / 40);
  const at = toCanvas(placement, spot.xPx, spot.yPx);
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
