import { useState } from 'react';
import { daylightWords } from '../core/sky/words.ts';
import { useKeys } from './keys.ts';
import { useSun } from './plan.ts';
import { strings } from './strings.ts';

/** What was acknowledged since the start: the general word, and on which day (by the Sun) that it is up. */
const seen: { general: boolean; day: number | null } = { general: false, day: null };

/**
 * Shown over the picture at each start until acknowledged, and again when the Sun comes up over the place: a tripod
 * is easily left standing at dawn. The words stay on the help page.
 */
export function Caution() {
  const [, redraw] = useState(0);
  const now = useSun();
  const isDay = now?.daylight === 'day';
  const open = !seen.general || (isDay && seen.day !== now.day);
  const close = () => {
    seen.general = true;
    if (isDay) seen.day = now.day;
    redraw((count) => count + 1);
  };
  useKeys(open ? { Enter: close } : {});
  if (!open) return null;
  return (
    <section className="caution" aria-label={strings.caution.label}>
      <p>
        <strong>{strings.caution.sun}</strong> {isDay ? daylightWords('day', now.sun) : strings.caution.ground}
      </p>
      <button type="button" onClick={close}>
        <kbd>Enter</kbd> {strings.caution.understood}
      </button>
    </section>
  );
}
