import { FieldCardOnce } from './FieldCard.tsx';

/** Before the ring is touched. Each panel is a component of its own; they flow into as many columns as fit. */
export function PreparePage() {
  return (
    <div className="page">
      <div className="prepare">
        <FieldCardOnce />
      </div>
    </div>
  );
}
