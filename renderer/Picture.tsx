import { useEffect, useRef } from 'react';
import { draw } from './draw.ts';
import { useSession } from './session.ts';
import { strings } from './strings.ts';
import type { VisionResult } from './vision/protocol.ts';

/** Live picture with marks at the six spots and, when the pattern is small, a close-up of it. */
export function Picture() {
  const session = useSession();
  const ref = useRef<HTMLCanvasElement>(null);

  useEffect(() => {
    const canvas = ref.current!;
    const context = canvas.getContext('2d', { alpha: false })!;
    let last: VisionResult | null = null;
    const show = (result: VisionResult) => {
      last?.picture.close();
      last = result;
      draw(context, result);
    };
    const resize = new ResizeObserver(() => {
      const { clientWidth, clientHeight } = canvas;
      canvas.width = Math.max(1, Math.round(clientWidth * devicePixelRatio));
      canvas.height = Math.max(1, Math.round(clientHeight * devicePixelRatio));
      if (last) draw(context, last);
    });
    resize.observe(canvas);
    const off = session.onPicture(show);
    return () => {
      off();
      resize.disconnect();
      last?.picture.close();
    };
  }, [session]);

  return <canvas ref={ref} className="picture" role="img" aria-label={strings.picture.label} />;
}
