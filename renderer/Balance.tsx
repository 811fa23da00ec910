import { balance } from '../core/guide/balance.ts';
import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

/** Width of the drawing between the posts, and of the sliding block. */
const SPAN = 1000;
const BLOCK = 22;

/**
 * The two gaps between the middle spots and the outer ones as two bars on either side of a sliding
 * block: equal bars are focus. The notch in the middle is the depth of focus.
 */
export function Balance() {
  const track = useSessionState((state) => state.track);
  const instruction = useSessionState((state) => state.instruction);
  const gaps = track && balance(track);
  return (
    <section className="panel balance" aria-label={strings.balance.label}>
      <h2>{strings.balance.label}</h2>
      {gaps && 'aim' in instruction ? (
        <Bars
          {...gaps}
          // +n points to the left in the picture: its gap is drawn on the left, too.
          aOnLeft={Math.sin((track.middleAngleDeg! * Math.PI) / 180) > 0.5}
          tolerancePx={instruction.aim.tolerancePx}
        />
      ) : (
        <p className="soft">{strings.balance.none}</p>
      )}
    </section>
  );
}

interface BarsProps {
  gapAPx: number;
  gapBPx: number;
  tilt: number;
  aOnLeft: boolean;
  tolerancePx: number;
}

function Bars({ gapAPx, gapBPx, tilt, aOnLeft, tolerancePx }: BarsProps) {
  const [leftPx, rightPx] = aOnLeft ? [gapAPx, gapBPx] : [gapBPx, gapAPx];
  const at = (SPAN / 2) * (1 + Math.max(-1, Math.min(1, aOnLeft ? -tilt : tilt)));
  const band = Math.min(SPAN / 2, (SPAN * tolerancePx) / (gapAPx + gapBPx));
  return (
    <>
      <svg viewBox={`-20 0 ${SPAN + 40} 150`} preserveAspectRatio="none" aria-hidden="true">
        <rect className="band" x={SPAN / 2 - band} y="0" width={2 * band} height="150" />
        <rect className="post" x="-20" y="10" width="14" height="130" />
        <rect className="post" x={SPAN + 6} y="10" width="14" height="130" />
        <rect className="gap" x="0" y="55" width={Math.max(0, at - BLOCK)} height="40" />
        <rect className="gap" x={at + BLOCK} y="55" width={Math.max(0, SPAN - at - BLOCK)} height="40" />
        <rect className="block" x={at - BLOCK / 2} y="20" width={BLOCK} height="110" />
      </svg>
      <p className="gaps">
        <span>{strings.pixels(leftPx)}</span>
        <span className="soft">{strings.balance.difference(rightPx - leftPx, 2 * tolerancePx)}</span>
        <span>{strings.pixels(rightPx)}</span>
      </p>
    </>
  );
}
