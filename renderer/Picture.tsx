import { type RefObject, useEffect, useRef } from 'react';
import { isLost } from './CameraLost.tsx';
import { drawCloseUp, drawWhole } from './draw.ts';
import { useSession, useSessionState } from './session.ts';
import { strings } from './strings.ts';
import type { VisionResult } from './vision/protocol.ts';

/** The live picture twice: close-up of the pattern with its marks, and the whole frame. Drawn as frames come, past React. */
export function Picture() {
  const session = useSession();
  const closeUp = useRef<HTMLCanvasElement>(null);
  const whole = useRef<HTMLCanvasElement>(null);

  useEffect(() => {
    let [last, lastWhole]: (VisionResult | null)[] = [null, null];
    const draw = (closeUpOf: VisionResult | null, wholeOf: VisionResult | null) => {
      if (closeUpOf) drawCloseUp(contextOf(closeUp), closeUpOf);
      if (wholeOf?.whole) drawWhole(contextOf(whole), wholeOf.whole, wholeOf.region);
    };
    const off = session.onPicture((result) => {
      last = result;
      if (result.whole) lastWhole = result;
      draw(result, result);
    });
    const resize = new ResizeObserver((entries) => {
      for (const { target } of entries) fitToBox(target as HTMLCanvasElement);
      draw(last, lastWhole);
    });
    resize.observe(closeUp.current!);
    resize.observe(whole.current!);
    return () => {
      off();
      resize.disconnect();
    };
  }, [session]);

  const lost = useSessionState(({ camera }) => (isLost(camera) ? strings.picture.lost(camera) : null));
  return (
    <>
      <canvas
        ref={closeUp}
        className={lost ? 'close-up old' : 'close-up'}
        role="img"
        aria-label={strings.picture.closeUp}
      />
      {lost && <p className="over">{lost}</p>}
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
