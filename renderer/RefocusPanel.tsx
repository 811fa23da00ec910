import { refocusText } from '../core/strings.ts';
import { useEvening } from './evening.tsx';
import { useKeys } from './keys.ts';
import { strings } from './strings.ts';

/** On every page, one calm line when focus should be looked at again: G goes there, X sets it aside. */
export function RefocusPanel({ onAgain }: { onAgain: () => void }) {
  const { reason, again, later } = useEvening();
  const start = () => {
    again();
    onAgain();
  };
  useKeys(reason ? { g: start, x: later } : {});
  if (!reason) return null;
  const words = strings.refocus;
  return (
    <section className="refocus" aria-label={words.label}>
      <p role="status">{refocusText(reason)}</p>
      <button type="button" onClick={start}>
        <kbd>G</kbd> {words.again}
      </button>
      <button type="button" className="quiet" onClick={later}>
        <kbd>X</kbd> {words.later}
      </button>
    </section>
  );
}
