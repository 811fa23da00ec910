import { type RefObject, useEffect, useRef } from 'react';
import { drawCloseUp, drawWhole, type Region, regionOf } from './draw.ts';
import { useSession } from './session.ts';
import { strings } from './strings.ts';
import type { VisionResult } from './vision/protocol.ts';

/** How long the close-up stays where the star was last seen, ms. */
const KEEP_REGION_MS = 3000;

/** The live picture twice: close-up of the pattern with its marks, and the whole frame. Drawn as frames come, past React. */
export function Picture() {
  const session = useSession();
  const closeUp = useRef<HTMLCanvasElement>(null);
  const whole = useRef<HTMLCanvasElement>(null);

  useEffect(() => {
    let last: VisionResult | null = null;
    let region: Region | null = null;
    let seenMs = 0;
    const draw = () => {
      if (!last || last.picture.width === 0) return; // closed with its test shot
      drawCloseUp(contextOf(closeUp), last.picture, last.reading, region);
      drawWhole(contextOf(whole), last.picture, region);
    };
    const off = session.onPicture((result) => {
      if (last?.header.mode.kind === 'live') last.picture.close();
      last = result;
      const seen = regionOf(result.reading);
      if (seen) {
        region = seen;
        seenMs = performance.now();
      } else if (performance.now() - seenMs > KEEP_REGION_MS) region = null;
      draw();
    });
    const resize = new ResizeObserver((entries) => {
      for (const { target } of entries) fitToBox(target as HTMLCanvasElement);
      draw();
    });
    resize.observe(closeUp.current!);
    resize.observe(whole.current!);
    return () => {
      off();
      resize.disconnect();
      if (last?.header.mode.kind === 'live') last.picture.close();
    };
  }, [session]);

  return (
    <>
      <canvas ref={closeUp} className="close-up" role="img" aria-label={strings.picture.closeUp} />
      <canvas ref={whole} className="whole" role="img" aria-label={strings.picture.whole} />
    </>
  );
}

function contextOf(canvas: RefObject<HTMLCanvasElement | null>): CanvasRenderingContext2D {
  return canvas.current!.getContext('2d', { alpha: false })!;
}

/** One canvas pixel for each screen pixel. */
export function fitToBox(canvas: HTMLCanvasElement): void {
  canvas.width = Math.max(1, Math.round(canvas.clientWidth * devicePixelRatio));
  canvas.height = Math.max(1, Math.round(canvas.clientHeight * devicePixelRatio));
}
