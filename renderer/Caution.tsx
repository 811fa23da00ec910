import { useState } from 'react';
import { useKeys } from './keys.ts';
import { strings } from './strings.ts';

let seen = false;

/** Shown over the picture at each start until acknowledged; the words stay on the help page. */
export function Caution() {
  const [open, setOpen] = useState(!seen);
  const close = () => {
    seen = true;
    setOpen(false);
  };
  useKeys(open ? { Enter: close } : {});
  if (!open) return null;
  return (
    <section className="caution" aria-label={strings.caution.label}>
      <p>
        <strong>{strings.caution.sun}</strong> {strings.caution.ground}
      </p>
      <button type="button" onClick={close}>
        <kbd>Enter</kbd> {strings.caution.understood}
      </button>
    </section>
  );
}
