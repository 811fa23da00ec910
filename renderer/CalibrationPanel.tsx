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

type Step = 'before' | 'turn' | { result: CalibrationResult };
type Towards = TurnAnswer['towards'];

/**
 * The calibration turn: rest, turn a little, rest. Three keys at the least: C, Enter, and which way
 * the ring went. A key pressed too early is remembered until the ring is still.
 */
export function CalibrationPanel({ onClose }: { onClose: () => void }) {
  const session = useSession();
  const { settings, change } = useSettings();
  const [step, setStep] = useState<Step>('before');
  const [turned, setTurned] = useState<Direction>('clockwise');
  const [marks, setMarks] = useState({ before: '', after: '' });
  const [ready, setReady] = useState(false);
  const [answer, setAnswer] = useState<{ towards: Towards } | null>(null);
  const still = useSessionState(({ track }) => track?.state === 'still');
  const phase = useSessionState(() => session.turnProgress?.phase ?? 'turn');

  /** The mark typed; in the rehearsal, where nobody stands at the ring, the simulated one. */
  const markOf = async (typed: string) => parseNumber(typed) ?? (await simulatedValue(settings.camera, 'ring'));

  const begin = async () => {
    session.beginTurn();
    setStep('turn');
    const before = await markOf(marks.before);
    setMarks((old) => ({ ...old, before: before === null ? '' : String(before) }));
  };
  const finish = async (towards: Towards) => {
    const [before, after] = [parseNumber(marks.before), await markOf(marks.after)];
    const read = before !== null && after !== null && Number.isFinite(before + after);
    const result = session.endTurn({ turned, towards, marks: read ? { before, after } : null });
    if (result.status === 'calibrated') {
      const { calibration } = result;
      // What the turn shows of the mask stays true with other lenses.
      change({ calibration, mask: { ...settings.mask, handedness: calibration.handedness } });
    }
    setStep({ result });
  };
  const again = () => {
    setReady(false);
    setAnswer(null);
    setMarks({ before: '', after: '' });
    setStep('before');
  };

  useEffect(() => {
    if (step === 'before' && ready && still) void begin();
    if (step === 'turn' && answer && phase === 'ready') {
      setAnswer(null);
      void finish(answer.towards);
    }
  });

  const other: Direction = turned === 'clockwise' ? 'counter-clockwise' : 'clockwise';
  const flip = () => setTurned(other);
  const say = (towards: Towards) => () => setAnswer({ towards });

  if (step === 'before')
    return (
      <Panel keys={{ Enter: () => setReady(true) }} onSubmit={() => setReady(true)} onClose={onClose}>
        <Sign kind="hold" />
        <p className="headline">{words.rest}</p>
        <p className="step">{words.restDetail}</p>
        <Mark label={words.markBefore} value={marks.before} onChange={(before) => setMarks({ ...marks, before })} />
        <button type="submit">
          <kbd>Enter</kbd> {ready ? words.wait : words.begin}
        </button>
      </Panel>
    );
  if (step === 'turn')
    return (
      <Panel
        keys={{ Enter: say(null), d: flip, n: say('near'), i: say('infinity') }}
        onSubmit={say(null)}
        onClose={onClose}
      >
        <Sign kind="turn" direction={turned} />
        <p className="headline">{words.turn(turned)}</p>
        <p className="step" role="status" data-phase={phase}>
          {words.phases[phase]}
        </p>
        <Mark label={words.markAfter} value={marks.after} onChange={(after) => setMarks({ ...marks, after })} />
        <p className="step">{words.ask}</p>
        <div className="row">
          <button type="button" aria-pressed={answer?.towards === 'near'} onClick={say('near')}>
            <kbd>N</kbd> {words.towardsNear}
          </button>
          <button type="button" aria-pressed={answer?.towards === 'infinity'} onClick={say('infinity')}>
            <kbd>I</kbd> {words.towardsInfinity}
          </button>
          <button type="submit" aria-pressed={answer?.towards === null}>
            <kbd>Enter</kbd> {words.cannotSay}
          </button>
          <button type="button" onClick={flip}>
            <kbd>D</kbd> {words.other(other)}
          </button>
        </div>
      </Panel>
    );
  const learned = step.result.status === 'calibrated';
  const next = learned ? onClose : again;
  return (
    <Panel keys={{ Enter: next }} onSubmit={next} onClose={onClose}>
      <p className="headline" role="status">
        {learned ? words.learned : words.refused}
      </p>
      <p className="step">{words.outcome(step.result)}</p>
      <button type="submit">
        <kbd>Enter</kbd> {learned ? words.finish : words.again}
      </button>
    </Panel>
  );
}

interface PanelProps {
  keys: Record<string, () => void>;
  onSubmit: () => void;
  onClose: () => void;
  children: ReactNode;
}

function Panel({ keys, onSubmit, onClose, children }: PanelProps) {
  useKeys({ ...keys, Escape: onClose });
  const ref = useRef<HTMLFormElement>(null);
  useEffect(() => ref.current?.focus(), []);
  const submit = (event: FormEvent) => {
    event.preventDefault();
    onSubmit();
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
