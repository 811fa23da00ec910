import { useEffect, useState } from 'react';
import type { CameraMessage } from '../host/api.ts';
import { api } from './api.ts';
import { useKeys } from './keys.ts';
import { Sign } from './Sign.tsx';
import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

/** Also while it is tried again. */
export function isLost({ state, message }: CameraMessage): boolean {
  return state === 'lost' || (state === 'starting' && message !== '');
}

/** In the instruction's place while the camera is lost: that it is, why, and what may help. When it is tried again the picture says. */
export function CameraLost() {
  const { name, message, code } = useSessionState(({ camera }) => camera);
  const [freeing, setFreeing] = useState<'no' | 'yes' | { failed: string }>('no');
  const held = code === 'in-use' && /^usb\b/.test(name);
  // What did not help is said as long as that is what is wrong.
  useEffect(() => setFreeing((now) => (now === 'yes' ? now : 'no')), [message]);
  const free = () => {
    setFreeing('yes');
    api.freeCamera().then(
      () => setFreeing('no'),
      (error: Error) => setFreeing({ failed: error.message }),
    );
  };
  useKeys(held && freeing !== 'yes' ? { f: free } : {});
  return (
    <section className="panel instruction" aria-label={strings.instruction.label} data-kind="camera-lost">
      {!held && <Sign kind="camera-lost" />}
      <p className="headline" role="status">
        {strings.camera.lost}
      </p>
      <p className="detail">{typeof freeing === 'object' ? freeing.failed : message}</p>
      {held && (
        <button type="button" disabled={freeing === 'yes'} onClick={free}>
          <kbd>F</kbd> {strings.camera.free}
        </button>
      )}
    </section>
  );
}
