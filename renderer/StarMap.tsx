import { useEffect, useRef } from 'react';
import { type FieldMap, hfrAt } from '../core/stars/map.ts';
import { fitToBox } from './Picture.tsx';
import { strings } from './strings.ts';

const INK = '#ff4026';
/** Steps of the shading, each way. */
const SHADES = 24;
/** Drawing-out that is drawn as a stroke, and how long a stroke gets for it, in heights of a cell. */
const ROUND = 1.06;
const STROKE = 0.45;

/** Half-flux radius over the field: shading by the smooth fit (the softer the lighter), medians as numbers, strokes where stars are drawn out. */
export function StarMap({ map }: { map: FieldMap }) {
  const ref = useRef<HTMLCanvasElement>(null);
  useEffect(() => {
    const canvas = ref.current!;
    const redraw = () => {
      fitToBox(canvas);
      draw(canvas.getContext('2d', { alpha: false })!, map);
    };
    redraw();
    const resize = new ResizeObserver(redraw);
    resize.observe(canvas);
    return () => resize.disconnect();
  }, [map]);
  const rows = map.cells.map(({ hfrPx }) => (hfrPx ? radius(hfrPx.value) : strings.prove.noStars));
  return <canvas ref={ref} className="star-map" role="img" aria-label={strings.prove.map(rows)} />;
}

/** As fine as it matters. */
const radius = (px: number) => px.toFixed(px < 3 ? 2 : 1);

function draw(context: CanvasRenderingContext2D, map: FieldMap): void {
  const { canvas } = context;
  context.fillStyle = '#000';
  context.fillRect(0, 0, canvas.width, canvas.height);
  const zoom = Math.min(canvas.width / map.widthPx, canvas.height / map.heightPx);
  const [width, height] = [map.widthPx * zoom, map.heightPx * zoom];
  context.save();
  context.translate((canvas.width - width) / 2, (canvas.height - height) / 2);
  if (map.fit) shade(context, map.fit, width, height);
  context.strokeStyle = '#4a0c07';
  context.lineWidth = Math.max(1, height / 300);
  context.strokeRect(0, 0, width, height);
  const size = height / 9;
  context.font = `600 ${size}px ${getComputedStyle(canvas).fontFamily}`;
  context.textAlign = 'center';
  context.textBaseline = 'middle';
  map.cells.forEach(({ hfrPx, elongation, angleDeg }, index) => {
    const [x, y] = [((index % 3) + 0.5) * (width / 3), (Math.floor(index / 3) + 0.5) * (height / 3)];
    context.fillStyle = INK;
    context.fillText(hfrPx ? `${radius(hfrPx.value)} px` : '–', x, y - size * 0.35);
    if (elongation !== null && angleDeg !== null && elongation > ROUND)
      stroke(context, x, y + size * 0.75, Math.min(1, elongation - 1) * STROKE * (height / 3), angleDeg);
  });
  context.restore();
}

/** Sharp is black; what is half as large again as the sharpest part is as light as shading gets. */
function shade(context: CanvasRenderingContext2D, fit: number[], width: number, height: number): void {
  const half = Math.hypot(width, height) / 2;
  const at = (i: number, j: number) =>
    hfrAt(fit, ((i + 0.5) / SHADES - 0.5) * (width / half), ((j + 0.5) / SHADES - 0.5) * (height / half));
  const all = Array.from({ length: SHADES ** 2 }, (_, index) => at(index % SHADES, Math.floor(index / SHADES)));
  const least = Math.min(...all);
  const [w, h] = [width / SHADES, height / SHADES];
  all.forEach((hfr, index) => {
    const part = Math.min(1, 2 * (hfr / least - 1));
    context.fillStyle = `rgb(${Math.round(8 + 82 * part)} ${Math.round(12 * part)} ${Math.round(8 * part)})`;
    context.fillRect((index % SHADES) * w, Math.floor(index / SHADES) * h, w + 1, h + 1);
  });
}

function stroke(context: CanvasRenderingContext2D, x: number, y: number, length: number, angleDeg: number): void {
  const [dx, dy] = [Math.cos((angleDeg * Math.PI) / 180), Math.sin((angleDeg * Math.PI) / 180)];
  const reach = Math.max(6, length / 2);
  context.strokeStyle = INK;
  context.lineWidth = Math.max(2, context.canvas.height / 120);
  context.beginPath();
  context.moveTo(x - dx * reach, y - dy * reach);
  context.lineTo(x + dx * reach, y + dy * reach);
  context.stroke();
}
