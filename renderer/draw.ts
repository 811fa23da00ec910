import type { Measurement, Spot } from '../core/measurement.ts';
import type { VisionResult } from './vision/protocol.ts';

/** Part of the frame shown in a box of the canvas, canvas pixels per frame pixel in `scale`. */
interface View {
  left: number;
  top: number;
  width: number;
  height: number;
  scale: number;
  /** Frame coordinates at the box's left top corner (corner of the pixel, hence the half). */
  frameX: number;
  frameY: number;
}

const INK = '#ff4026';
/** A pattern whose spots stand closer to the star than this part of the picture's height gets the close-up. */
const SMALL_PATTERN = 0.16;
/** Half width of the close-up, in spot distances. */
const CLOSE_UP_REACH = 1.75;
/** Without a measurement: half width of the close-up, frame pixels. */
const CLOSE_UP_UNKNOWN_PX = 80;

/** Draws a frame into the whole canvas, with marks at its spots and a close-up when the pattern is small. */
export function draw(context: CanvasRenderingContext2D, { picture, reading }: VisionResult): void {
  const { width, height } = context.canvas;
  context.fillStyle = '#000';
  context.fillRect(0, 0, width, height);

  const scale = Math.min(width / picture.width, height / picture.height);
  const whole: View = {
    left: (width - picture.width * scale) / 2,
    top: (height - picture.height * scale) / 2,
    width: picture.width * scale,
    height: picture.height * scale,
    scale,
    frameX: -0.5,
    frameY: -0.5,
  };
  paint(context, picture, whole);

  const { star } = reading;
  const distancePx = reading.status === 'measured' ? reading.spotDistancePx : null;
  const small = star !== null && (distancePx === null || distancePx * scale < SMALL_PATTERN * height);
  if (!small || !star) {
    if (reading.status === 'measured') marks(context, whole, reading);
    return;
  }
  const reachPx = distancePx === null ? CLOSE_UP_UNKNOWN_PX : distancePx * CLOSE_UP_REACH;
  const starAt = toCanvas(whole, star.xPx, star.yPx);
  cornerTicks(context, starAt.x, starAt.y, reachPx * scale);
  const closeUp = closeUpView(whole, starAt, star, reachPx);
  context.fillStyle = '#000';
  context.fillRect(closeUp.left, closeUp.top, closeUp.width, closeUp.height);
  paint(context, picture, closeUp);
  context.lineWidth = Math.max(1, height / 400);
  context.strokeStyle = '#8c1a10';
  context.strokeRect(closeUp.left, closeUp.top, closeUp.width, closeUp.height);
  if (reading.status === 'measured') marks(context, closeUp, reading);
}

/** A square in the corner of the picture that is farthest from the star. */
function closeUpView(
  whole: View,
  starAt: { x: number; y: number },
  star: { xPx: number; yPx: number },
  reachPx: number,
): View {
  const size = Math.min(whole.height * 0.62, whole.width * 0.45);
  const inset = whole.height * 0.02;
  const onLeft = starAt.x > whole.left + whole.width / 2;
  const onTop = starAt.y > whole.top + whole.height / 2;
  return {
    left: onLeft ? whole.left + inset : whole.left + whole.width - size - inset,
    top: onTop ? whole.top + inset : whole.top + whole.height - size - inset,
    width: size,
    height: size,
    scale: size / (2 * reachPx),
    frameX: star.xPx - reachPx,
    frameY: star.yPx - reachPx,
  };
}

/** Draws the view's part of the frame, only as far as the frame reaches. */
function paint(context: CanvasRenderingContext2D, picture: ImageBitmap, view: View): void {
  context.save();
  context.beginPath();
  context.rect(view.left, view.top, view.width, view.height);
  context.clip();
  context.drawImage(
    picture,
    view.left - (view.frameX + 0.5) * view.scale,
    view.top - (view.frameY + 0.5) * view.scale,
    picture.width * view.scale,
    picture.height * view.scale,
  );
  context.restore();
}

function toCanvas(view: View, xPx: number, yPx: number): { x: number; y: number } {
  return { x: view.left + (xPx - view.frameX) * view.scale, y: view.top + (yPx - view.frameY) * view.scale };
}

/**
 * A mark outside each spot, on the ray from the star, leaving the spot free: a wedge pointing at
 * each middle spot, a small angle bracket behind each outer one.
 */
function marks(context: CanvasRenderingContext2D, view: View, reading: Measurement): void {
  const size = Math.max(6, context.canvas.height / 70);
  const star = toCanvas(view, reading.star.xPx, reading.star.yPx);
  context.strokeStyle = INK;
  context.fillStyle = INK;
  context.lineWidth = Math.max(1.5, size / 5);
  for (const spot of reading.spots) mark(context, view, star, spot, size);
}

/** A first-order spectrum reaches to about 680/550 of the distance of its 550 nm point. */
const SPECTRUM_END = 1.25;

function mark(
  context: CanvasRenderingContext2D,
  view: View,
  star: { x: number; y: number },
  spot: Spot,
  size: number,
): void {
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
    context.fill();
  } else {
    context.moveTo(0, -size * 0.7);
    context.lineTo(size * 0.6, 0);
    context.lineTo(0, size * 0.7);
    context.stroke();
  }
  context.restore();
}

/** Four small corners round the part of the picture that the close-up shows. */
function cornerTicks(context: CanvasRenderingContext2D, x: number, y: number, reach: number): void {
  const length = Math.max(5, reach * 0.3);
  context.strokeStyle = INK;
  context.lineWidth = Math.max(1.5, context.canvas.height / 350);
  context.beginPath();
  for (const sx of [-1, 1])
    for (const sy of [-1, 1]) {
      context.moveTo(x + sx * reach, y + sy * (reach - length));
      context.lineTo(x + sx * reach, y + sy * reach);
      context.lineTo(x + sx * (reach - length), y + sy * reach);
    }
  context.stroke();
}
