import { FieldCardOnce } from './FieldCard.tsx';

/** Before the ring is touched: three columns of panels, the sky, where and when, what is in the bag. */
export function PreparePage() {
  return (
    <div className="page prepare">
      <div className="stack">
        <FieldCardOnce />
      </div>
      <div className="stack" />
      <div className="stack" />
    </div>
  );
}
