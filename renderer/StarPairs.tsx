import { useEffect, useMemo, useRef } from 'react';
import type { Comparison } from '../core/stars/compare.ts';
import { cellOf } from '../core/stars/map.ts';
import type { Star } from '../core/stars/star.ts';
import { fitToBox } from './Picture.tsx';
import type { Shot } from './session.ts';
import { strings } from './strings.ts';
import type { View } from './vision/view.ts';

/** Parts of the field that are shown: middle, upper left, lower right. */
const SHOWN_CELLS = [4, 0, 8];

interface Crop {
  view: View;
  star: Star;
}

/**
 * The same stars before and after, side by side, pixel for pixel (one of the picture for one of the screen), or
 * several times as large. Without a shot before, the stars of this one.
 */
export function StarPairs({
  before,
  after,
  comparison,
  zoom,
}: {
  before: Shot | null;
  after: Shot;
  comparison: Comparison | null;
  zoom: number;
}) {
  const rows = useMemo(() => chosen(before, after, comparison), [before, after, comparison]);
  const words = strings.prove;
  return (
    <div className="star-pairs">
      {rows.map(({ cell, old, now }) => (
        <figure key={cell}>
          <div className="sides">
            {before && <CropCanvas crop={old} zoom={zoom} label={words.crop(words.before, words.cells[cell])} />}
            <CropCanvas crop={now} zoom={zoom} label={words.crop(before ? words.after : '', words.cells[cell])} />
          </div>
          <figcaption>{words.cells[cell]}</figcaption>
        </figure>
      ))}
    </div>
  );
}

/** For each part of the field the brightest star that has a crop in both shots; else one of each. */
function chosen(before: Shot | null, after: Shot, comparison: Comparison | null) {
  const { widthPx, heightPx } = after.list;
  const cell = (star: Star) => cellOf(star.xPx, star.yPx, widthPx, heightPx);
  return SHOWN_CELLS.map((index) => {
    for (const { before: old, after: now } of comparison?.pairs ?? []) {
      if (cell(now) !== index) continue;
      const [oldCrop, nowCrop] = [cropOf(before!, old), cropOf(after, now)];
      if (oldCrop && nowCrop) return { cell: index, old: oldCrop, now: nowCrop };
    }
    return { cell: index, old: before && firstIn(before, index), now: firstIn(after, index) };
  });
}

/** The crop that was cut round this star. */
function cropOf(shot: Shot, star: Star): Crop | null {
  const view = shot.crops.find(
    ({ xPx, yPx, widthPx, heightPx }) =>
      Math.abs(xPx + (widthPx - 1) / 2 - star.xPx) < 2 && Math.abs(yPx + (heightPx - 1) / 2 - star.yPx) < 2,
  );
  return view ? { view, star } : null;
}

function firstIn(shot: Shot, cell: number): Crop | null {
  const { stars, widthPx, heightPx } = shot.list;
  for (const star of stars) {
    if (cellOf(star.xPx, star.yPx, widthPx, heightPx) !== cell) continue;
    const crop = cropOf(shot, star);
    if (crop) return crop;
  }
  return null;
}

function CropCanvas({ crop, zoom, label }: { crop: Crop | null; zoom: number; label: string }) {
  const ref = useRef<HTMLCanvasElement>(null);
  useEffect(() => {
    const canvas = ref.current!;
    const redraw = () => {
      fitToBox(canvas);
      draw(canvas.getContext('2d', { alpha: false })!, crop, zoom);
    };
    redraw();
    const resize = new ResizeObserver(redraw);
    resize.observe(canvas);
    return () => resize.disconnect();
  }, [crop, zoom]);
  return <canvas ref={ref} role="img" aria-label={label} />;
}

const source = new OffscreenCanvas(1, 1);

function draw(context: CanvasRenderingContext2D, crop: Crop | null, zoom: number): void {
  const { canvas } = context;
  context.fillStyle = '#000';
  context.fillRect(0, 0, canvas.width, canvas.height);
  if (!crop) return;
  const { view, star } = crop;
  source.width = view.widthPx;
  source.height = view.heightPx;
  source.getContext('2d')!.putImageData(new ImageData(view.data, view.widthPx, view.heightPx), 0, 0);
  // The star in the middle, on whole pixels; they stay squares.
  context.imageSmoothingEnabled = false;
  const left = Math.round(canvas.width / 2 - (Math.round(star.xPx) - view.xPx + 0.5) * zoom);
  const top = Math.round(canvas.height / 2 - (Math.round(star.yPx) - view.yPx + 0.5) * zoom);
  context.drawImage(source, left, top, view.widthPx * zoom, view.heightPx * zoom);
}
