import { useEffect, useRef, useState } from 'react';
import { focusDrive } from '../core/camera/drive.ts';
import { distanceText } from '../core/strings.ts';
import { useCamera } from './camera.tsx';
import { useKeys } from './keys.ts';
import { MotorRun, type MotorState } from './motor.ts';
import { Sign } from './Sign.tsx';
import { useSession, useSessionState } from './session.ts';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.motor;

/** The focus motor at work. It runs only while this is shown, and the space bar stops it wherever the cursor is. */
export function MotorPanel({ onClose }: { onClose: () => void }) {
  const session = useSession();
  const { roles } = useCamera();
  const { settings } = useSettings();
  const [state, setState] = useState<MotorState | null>(null);
  const run = useRef<MotorRun | null>(null);
  const panel = useRef<HTMLElement>(null);
  const aim = useSessionState(({ instruction }) => ('aim' in instruction ? instruction.aim : null));

  const start = () => {
    const drive = roles.driveFocus && focusDrive(roles.driveFocus);
    if (drive) run.current = new MotorRun(session, drive, settings.motorTravelSteps ?? drive.travelSteps, setState);
  };
  const again = () => {
    run.current?.stop();
    start();
  };
  useEffect(() => {
    start();
    return () => run.current?.stop();
  }, []);

  const hasEnded = state?.phase === 'ended';
  useEffect(() => {
    // Before any control gets it: whatever is being typed or pressed, space stops the motor. Pressed once more, or held,
    // it does nothing else either: the control that has the focus might start the motor again.
    const stopOnSpace = (event: KeyboardEvent) => {
      const isOwn = hasEnded && !event.repeat && panel.current?.contains(document.activeElement);
      if (event.key !== ' ' || isOwn) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      if (event.type === 'keydown') run.current?.stop();
    };
    const types = ['keydown', 'keyup'] as const;
    for (const type of types) window.addEventListener(type, stopOnSpace, { capture: true });
    return () => {
      for (const type of types) window.removeEventListener(type, stopOnSpace, { capture: true });
    };
  }, [hasEnded]);
  // Away from the button that was clicked, which Enter would press again.
  const isShown = state !== null;
  useEffect(() => {
    if (isShown) panel.current?.focus();
  }, [isShown]);
  useKeys({ Escape: onClose, Enter: () => hasEnded && onClose(), f: () => hasEnded && again() });

  if (!state) return null;
  const { end, phase, moves, learned } = state;
  return (
    <section
      ref={panel}
      tabIndex={-1}
      className="panel instruction motor"
      aria-label={words.label}
      data-phase={phase}
      data-end={end ?? undefined}
    >
      <h2>{words.label}</h2>
      <Sign kind={end === 'in-focus' ? 'in-focus' : end ? 'stop' : phase === 'moving' ? 'distance' : 'hold'} />
      <p className="headline" role="status">
        {end ? words.ends[end].headline : words.phases[phase as 'looking' | 'moving']}
      </p>
      {end && <p className="step">{words.ends[end].detail}</p>}
      {aim && <p className="step">{words.distance(distanceText(aim))}</p>}
      <p className="soft">{words.learned(moves, learned, aim?.toleranceUm ?? null)}</p>
      {hasEnded ? (
        <div className="row">
          <button type="button" onClick={onClose}>
            <kbd>Enter</kbd> {words.back}
          </button>
          <button type="button" onClick={again}>
            <kbd>F</kbd> {words.again}
          </button>
        </div>
      ) : (
        <button type="button" className="big-stop" onClick={() => run.current?.stop()}>
          {words.stop} <kbd>{words.space}</kbd>
        </button>
      )}
    </section>
  );
}
