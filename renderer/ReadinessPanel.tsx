import { useEffect } from 'react';
import { isRead } from '../core/camera/lens.ts';
import { type Check, readiness } from '../core/camera/readiness.ts';
import { useCamera } from './camera.tsx';
import { useKeys } from './keys.ts';
import { useSessionState } from './session.ts';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.readiness;

/** A dial may be turned at any time; while the list is shown it is looked at again so often. */
const LOOK_EVERY_MS = 5000;

/** Whether the camera is ready for the star: what its body reports, and what only a hand can see. */
export function ReadinessPanel() {
  const { config, roles, readMs, problem, look, write } = useCamera();
  const { settings } = useSettings();
  const running = useSessionState(({ camera }) => camera.state === 'running');
  useEffect(() => {
    if (!running) return;
    const timer = setInterval(() => void look(), LOOK_EVERY_MS);
    return () => clearInterval(timer);
  }, [running, look]);

  const checks = readiness(config, roles, readMs, settings.optics.fNumber);
  const clicks = checks.flatMap(({ writes }) => (writes ? [writes] : []));
  const all = () => clicks.length > 0 && void write(...clicks);
  useKeys({ r: () => void look(), a: all });
  return (
    <section className="panel readiness" aria-labelledby="readiness-title">
      <h2 id="readiness-title">{words.label}</h2>
      <p role="status">{running ? words.summary(checks) : words.noCamera}</p>
      <ul>
        {checks.map((check) => (
          <Point key={check.role} check={check} onSet={() => void write(check.writes!)} />
        ))}
      </ul>
      <LensFromCamera />
      <div className="row">
        <button type="button" onClick={() => void look()}>
          <kbd>R</kbd> {words.look}
        </button>
        {clicks.length > 0 && (
          <button type="button" onClick={all}>
            <kbd>A</kbd> {words.setAll}
          </button>
        )}
      </div>
      {problem && <p role="alert">{problem}</p>}
    </section>
  );
}

function Point({ check, onSet }: { check: Check; onSet: () => void }) {
  const { role, state, value, writes } = check;
  const point = words.points[role];
  return (
    <li data-role={role} data-state={state}>
      <span className="mark-of" role="img" aria-label={words.states[state]}>
        {words.marks[state]}
      </span>
      <span>
        <strong>{point.name}</strong> {value !== null && words.value(role, value)}
        {state !== 'fine' && <small className="soft">{words.advice(state, point.advice)}</small>}
      </span>
      {writes && (
        <button type="button" onClick={onSet} aria-label={`${words.toValue(role, writes)}: ${point.name}`}>
          {words.toValue(role, writes)}
        </button>
      )}
    </li>
  );
}

/** What of the lens's settings the camera told, and the pixel size that comes with its pictures. */
function LensFromCamera() {
  const { settings } = useSettings();
  const pixelUm = useSessionState(({ header }) => header?.mode.pixelUm ?? null);
  const read = isRead(settings, settings.fromCamera);
  const { lensName, optics } = settings;
  const told = words.told({
    lensName: read.lensName ? lensName : null,
    focalMm: read.focalMm ? optics.focalMm : null,
    fNumber: read.fNumber ? optics.fNumber : null,
    pixelUm,
  });
  return told ? <p className="soft">{told}</p> : null;
}
