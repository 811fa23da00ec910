import { useId } from 'react';
import type { Mask, Zone } from '../core/optics/mask.ts';

/** Period of the drawn bars; the pupil's diameter is 100. */
const PERIOD = 9;
/** Drawn while the angle is not known. */
const USUAL_ANGLE_DEG = 20;

type Box = Record<'x0' | 'x1' | 'y0' | 'y1', number>;

/** Where each grating lies, u to the right and n downwards as in the picture; see zoneAt for the layouts. */
function boxes({ layout, ribD }: Mask, handedness: 1 | -1): Record<Zone, Box> {
  const rib = 50 * ribD;
  const all = { x0: -50, x1: 50, y0: -50, y1: 50 };
  const third = 100 / 6;
  const outer = (one: Box, other: Box) =>
    handedness === 1 ? { plus: one, minus: other } : { plus: other, minus: one };
  switch (layout) {
    case 'half': {
      const upper = { ...all, y1: -rib };
      return { middle: { ...all, y0: rib }, ...outer({ ...upper, x0: rib }, { ...upper, x1: -rib }) };
    }
    case 'strips-u': {
      const middle = { ...all, x0: -third + rib, x1: third - rib };
      return { middle, ...outer({ ...all, x0: third + rib }, { ...all, x1: -third - rib }) };
    }
    case 'strips-n': {
      const centre = { ...all, y0: -third + rib, y1: third - rib };
      return { middle: { ...all, y0: third + rib }, ...outer(centre, { ...all, y1: -third - rib }) };
    }
  }
}

/** The mask before the lens as seen from behind the camera when the middle pair of spots lies level. Decoration beside words. */
export function MaskDrawing({ mask, handedness }: { mask: Mask; handedness: 1 | -1 }) {
  const id = useId();
  const turn = { middle: 0, plus: 1, minus: -1 };
  const angleDeg = mask.outerAngleDeg ?? USUAL_ANGLE_DEG;
  const bars = Array.from({ length: 17 }, (_, i) => (i - 8) * PERIOD);
  return (
    <svg className="mask" viewBox="-54 -54 108 108" aria-hidden="true">
      <clipPath id={`${id}-pupil`}>
        <circle r="50" />
      </clipPath>
      <g clipPath={`url(#${id}-pupil)`} strokeWidth={PERIOD * (1 - mask.duty)}>
        {Object.entries(boxes(mask, handedness)).map(([zone, { x0, x1, y0, y1 }]) => (
          <g key={zone} clipPath={`url(#${id}-${zone})`}>
            <clipPath id={`${id}-${zone}`}>
              <rect x={x0} y={y0} width={x1 - x0} height={y1 - y0} />
            </clipPath>
            <g transform={`rotate(${turn[zone as Zone] * angleDeg})`}>
              {bars.map((x) => (
                <path key={x} d={`M ${x} -80 V 80`} />
              ))}
            </g>
          </g>
        ))}
      </g>
      <circle r="51" className="rim" />
    </svg>
  );
}
