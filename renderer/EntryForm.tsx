import { type FormEvent, useEffect, useId, useMemo, useRef, useState } from 'react';
import type { Direction } from '../core/guide/calibrate.ts';
import { type KitLens, lensInUse } from '../core/kit/kit.ts';
import { VERDICTS } from '../core/notebook/entry.ts';
import type { Entry } from '../host/api.ts';
import { useEvening } from './evening.tsx';
import { parseNumber, SelectField } from './fields.tsx';
import { measuredNow } from './measured.ts';
import { useNotebook } from './notebook.tsx';
import { useSession } from './session.ts';
import { calibrationOf, useSettings } from './settings.ts';
import { simulatedValue } from './simulated.ts';
import { strings } from './strings.ts';

const NUMBERS = ['ringPosition', 'temperatureC', 'focalMm'] as const;
const TEXTS = ['ringUnit', 'lens', 'target', 'note'] as const;
const ORDER = ['ringPosition', 'ringUnit', 'temperatureC', 'target', 'lens', 'focalMm', 'note'] as const;
type FieldName = (typeof ORDER)[number];

interface EntryFormProps {
  previous: Entry | undefined;
  /** To be corrected; null for a new entry. */
  edited: Entry | null;
  onSaved: () => void;
  onLeave: () => void;
}

/** A new entry, filled in as far as is known, or one to be corrected. What was measured is taken when the form opens. */
export function EntryForm({ previous, edited, onSaved, onLeave }: EntryFormProps) {
  const session = useSession();
  const { settings } = useSettings();
  const { add, change } = useNotebook();
  const { temperatureC, lastTurned, confirm } = useEvening();
  const lens = lensInUse(settings);
  const calibration = calibrationOf(settings);
  const measured = useMemo(() => measuredNow(session.state, calibration), [session, calibration]);
  // One id for the form: sent twice, the entry is stored once.
  const [id, setId] = useState(() => edited?.id ?? crypto.randomUUID());
  const [verdict, setVerdict] = useState<Entry['verdict']>(edited?.verdict ?? measured.verdict ?? 'not-measured');
  const [values, setValues] = useState<Record<FieldName, string>>(() =>
    edited
      ? textsOf(edited)
      : {
          ...textsOf({
            ringPosition: null,
            temperatureC: temperatureC === null ? null : Math.round(10 * temperatureC) / 10,
            focalMm: settings.optics.focalMm,
          }),
          ringUnit: lens?.ring.unit ?? (previous?.ringUnit || strings.entry.defaultUnit),
          target: settings.target || (previous?.target ?? ''),
          lens: settings.lensName,
        },
  );
  const [problem, setProblem] = useState<{ field: FieldName | null; text: string } | null>(null);
  const first = useRef<HTMLInputElement>(null);

  useEffect(() => {
    first.current?.focus();
    if (edited) return;
    for (const name of ['ringPosition', 'temperatureC'] as const) {
      void simulatedValue(settings.camera, name === 'ringPosition' ? 'ring' : name).then((value) => {
        if (value !== null) setValues((old) => (old[name] === '' ? { ...old, [name]: String(value) } : old));
      });
    }
  }, [settings.camera, edited]);

  const save = async (event: FormEvent) => {
    event.preventDefault();
    const numbers = NUMBERS.map((name) => [name, parseNumber(values[name])] as const);
    const wrong = numbers.find(([, number]) => Number.isNaN(number));
    if (wrong) return setProblem({ field: wrong[0], text: strings.field.notNumber });
    const typed = {
      id,
      ...Object.fromEntries(numbers),
      ...Object.fromEntries(TEXTS.map((name) => [name, values[name]])),
    };
    const { camera, optics, mask } = settings;
    const asSet = { camera, fNumber: optics.fNumber, pixelUm: session.state.optics.pixelUm, mask };
    const approach = approachOf(lastTurned, lens);
    try {
      if (edited) await change({ ...edited, ...typed, verdict });
      else await add({ ...typed, ...measured, verdict, approach, settings: asSet });
    } catch (error) {
      return setProblem({ field: null, text: (error as Error).message });
    }
    setProblem(null);
    if (!edited) {
      // Focus holds from now on; what was measured out of focus is only noted.
      if (verdict === 'in-focus') confirm();
      session.dismissTestShot();
      setId(crypto.randomUUID());
      setValues((old) => ({ ...old, note: '' }));
    }
    onSaved();
  };

  const field = (name: FieldName) => (
    <EntryField
      key={name}
      name={name}
      value={values[name]}
      error={problem?.field === name ? problem.text : undefined}
      inputRef={name === 'ringPosition' ? first : undefined}
      onChange={(value) => setValues({ ...values, [name]: value })}
    />
  );
  return (
    <form className="panel entry" onSubmit={save} aria-label={strings.entry.label}>
      <div className="row">
        <h2>{edited ? strings.entry.correct(strings.time(edited.timeUtc)) : strings.entry.label}</h2>
        {edited && (
          <button type="button" className="quiet" onClick={onLeave}>
            <kbd>Esc</kbd> {strings.entry.leave}
          </button>
        )}
      </div>
      <p>{strings.entry.measured(edited ?? measured)}</p>
      <div className="fields">{ORDER.slice(0, -1).map(field)}</div>
      <div className="row last">
        <SelectField
          label={strings.entry.verdict}
          hint={strings.entry.verdictHint}
          value={verdict}
          options={VERDICTS.map((value) => ({ value, label: strings.entry.verdicts[value] }))}
          onCommit={setVerdict}
        />
        {field('note')}
      </div>
      {problem && problem.field === null && <p role="alert">{problem.text}</p>}
      <button type="submit">
        <kbd>Enter</kbd> {strings.entry.save}
      </button>
    </form>
  );
}

function textsOf(entry: Partial<Entry>): Record<FieldName, string> {
  return Object.fromEntries(ORDER.map((name) => [name, String(entry[name] ?? '')])) as Record<FieldName, string>;
}

/** Whether the ring's numbers rose on the last way to focus, where the lens in the kit says which way they rise. */
function approachOf(turned: Direction | null, lens: KitLens | null): Entry['approach'] {
  const rising = lens?.ring.rising;
  if (!rising || !turned) return null;
  return turned === rising ? 'rising' : 'falling';
}

interface EntryFieldProps {
  name: FieldName;
  value: string;
  error: string | undefined;
  inputRef?: React.Ref<HTMLInputElement>;
  onChange: (value: string) => void;
}

function EntryField({ name, value, error, inputRef, onChange }: EntryFieldProps) {
  const id = useId();
  const isNumber = (NUMBERS as readonly string[]).includes(name);
  return (
    <div className={`field ${name}`}>
      <label htmlFor={id}>{strings.entry.fields[name]}</label>
      <input
        id={id}
        ref={inputRef}
        inputMode={isNumber ? 'decimal' : 'text'}
        autoComplete="off"
        value={value}
        aria-invalid={error !== undefined}
        aria-describedby={error && `${id}-error`}
        onChange={(event) => onChange(event.target.value)}
      />
      {error && (
        <small id={`${id}-error`} role="alert">
          {error}
        </small>
      )}
    </div>
  );
}
