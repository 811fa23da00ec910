import { type FormEvent, type ReactNode, useEffect, useRef, useState } from 'react';
import type { CalibrationResult, Direction, TurnAnswer } from '../core/guide/calibrate.ts';
import { parseNumber } from './fields.tsx';
import { useKeys } from './keys.ts';
import { Sign } from './Sign.tsx';
import { useSession, useSessionState } from './session.ts';
import { useSettings } from './settings.ts';
import { simulatedValue } from './simulated.ts';
import { strings } from './strings.ts';

const words = strings.calibration;

type Step = { name: 'before' } | { name: 'turn' } | { name: 'done'; result: CalibrationResult };

/**
 * The calibration turn: rest, turn a little, rest. Three keys at the least: Enter, Enter, and which
 * way the ring went (Enter again when the user cannot say).
 */
export function CalibrationPanel({ onClose }: { onClose: () => void }) {
  const session = useSession();
  const { settings, change } = useSettings();
  const [step, setStep] = useState<Step>({ name: 'before' });
  const [turned, setTurned] = useState<Direction>('clockwise');
  const [before, setBefore] = useState('');
  const [after, setAfter] = useState('');
  const still = useSessionState(({ track }) => track?.state === 'still');
  const phase = useSessionState(() => session.turnProgress?.phase ?? 'turn');

  // The demo reads the marks for the user, as far as they were not typed.
  useEffect(() => {
    const setMark = step.name === 'before' ? setBefore : setAfter;
    if (step.name === 'done' || !still) return;
    void simulatedValue(settings.camera, 'ring').then((mark) => mark !== null && setMark(String(mark)));
  }, [step.name, settings.camera, still]);

  const begin = () => {
    if (!still) return;
    session.beginTurn();
    setStep({ name: 'turn' });
  };
  const end = (towards: TurnAnswer['towards']) => {
    if (phase !== 'ready') return;
    const marks = { before: parseNumber(before), after: parseNumber(after) };
    const read = Number.isFinite(marks.before) && Number.isFinite(marks.after);
    const result = session.endTurn({
      turned,
      towards,
      marks: read ? (marks as { before: number; after: number }) : null,
    });
    if (result.status === 'calibrated') change({ calibration: { ...result.calibration } });
    setStep({ name: 'done', result });
  };
  const other: Direction = turned === 'clockwise' ? 'counter-clockwise' : 'clockwise';
  const flip = () => setTurned(other);
  const again = () => setStep({ name: 'before' });

  switch (step.name) {
    case 'before':
      return (
        <Panel keys={{ Enter: begin, d: flip, Escape: onClose }} onSubmit={begin} onClose={onClose}>
          <p className="headline">{words.rest}</p>
          <p>{words.restDetail}</p>
          <Mark label={words.markBefore} value={before} onChange={setBefore} />
          <button type="submit" disabled={!still}>
            <kbd>Enter</kbd> {still ? words.begin : words.wait}
          </button>
        </Panel>
      );
    case 'turn':
      return (
        <Panel
          keys={{ Enter: () => end(null), d: flip, n: () => end('near'), i: () => end('infinity'), Escape: onClose }}
          onSubmit={() => end(null)}
          onClose={onClose}
        >
          <Sign kind="turn" direction={turned} />
          <p className="headline">{words.turn(turned)}</p>
          <p>{words.turnDetail}</p>
          <Mark label={words.markAfter} value={after} onChange={setAfter} />
          <p data-phase={phase}>{words.phases[phase]}</p>
          <div className="row">
            <button type="button" disabled={phase !== 'ready'} onClick={() => end('near')}>
              <kbd>N</kbd> {words.towardsNear}
            </button>
            <button type="button" disabled={phase !== 'ready'} onClick={() => end('infinity')}>
              <kbd>I</kbd> {words.towardsInfinity}
            </button>
            <button type="submit" disabled={phase !== 'ready'}>
              <kbd>Enter</kbd> {words.cannotSay}
            </button>
            <button type="button" onClick={flip}>
              <kbd>D</kbd> {words.other(other)}
            </button>
          </div>
        </Panel>
      );
    case 'done':
      return (
        <Panel
          keys={{ Enter: step.result.status === 'calibrated' ? onClose : again, Escape: onClose }}
          onClose={onClose}
        >
          <p className="headline" role="status">
            {step.result.status === 'calibrated' ? words.learned : words.refused}
          </p>
          <p>{words.outcome(step.result)}</p>
          <button type="button" onClick={step.result.status === 'calibrated' ? onClose : again}>
            <kbd>Enter</kbd> {step.result.status === 'calibrated' ? words.finish : words.again}
          </button>
        </Panel>
      );
  }
}

interface PanelProps {
  keys: Record<string, () => void>;
  onSubmit?: () => void;
  onClose: () => void;
  children: ReactNode;
}

function Panel({ keys, onSubmit, onClose, children }: PanelProps) {
  useKeys(keys);
  const ref = useRef<HTMLFormElement>(null);
  useEffect(() => ref.current?.focus(), []);
  const submit = (event: FormEvent) => {
    event.preventDefault();
    onSubmit?.();
  };
  return (
    <form ref={ref} tabIndex={-1} className="panel instruction calibration" aria-label={words.label} onSubmit={submit}>
      <div className="row">
        <h2>{words.label}</h2>
        <button type="button" className="quiet" onClick={onClose}>
          <kbd>Esc</kbd> {words.leave}
        </button>
      </div>
      {children}
    </form>
  );
}

function Mark({ label, value, onChange }: { label: string; value: string; onChange: (value: string) => void }) {
  return (
    <label className="mark">
      {label}
      <input inputMode="decimal" autoComplete="off" value={value} onChange={(event) => onChange(event.target.value)} />
    </label>
  );
}
