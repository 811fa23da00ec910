import { type FormEvent, useEffect, useId, useMemo, useRef, useState } from 'react';
import type { Entry, NewEntry } from '../host/api.ts';
import { api } from './api.ts';
import { parseNumber } from './fields.tsx';
import { measuredNow } from './measured.ts';
import { useSession } from './session.ts';
import { calibrationOf, useSettings } from './settings.ts';
import { simulatedValue } from './simulated.ts';
import { strings } from './strings.ts';

const NUMBERS = ['ringPosition', 'temperatureC', 'focalMm'] as const;
const TEXTS = ['ringUnit', 'lens', 'target', 'note'] as const;
const ORDER = ['ringPosition', 'ringUnit', 'temperatureC', 'target', 'lens', 'focalMm', 'note'] as const;
type FieldName = (typeof ORDER)[number];

/** A new entry, filled in as far as is known. What was measured is taken when the form opens. */
export function EntryForm({ previous, onSaved }: { previous: Entry | undefined; onSaved: () => void }) {
  const session = useSession();
  const { settings } = useSettings();
  const calibration = calibrationOf(settings);
  const measured = useMemo(() => measuredNow(session.state, calibration), [session, calibration]);
  // One id for the form: sent twice, the entry is stored once.
  const [id, setId] = useState(() => crypto.randomUUID());
  const [values, setValues] = useState<Record<FieldName, string>>(() => ({
    ringPosition: '',
    ringUnit: previous?.ringUnit || strings.entry.defaultUnit,
    temperatureC: '',
    target: previous?.target ?? '',
    lens: settings.lensName,
    focalMm: settings.optics.focalMm === null ? '' : String(settings.optics.focalMm),
    note: '',
  }));
  const [problem, setProblem] = useState<{ field: FieldName | null; text: string } | null>(null);
  const first = useRef<HTMLInputElement>(null);

  useEffect(() => {
    first.current?.focus();
    for (const name of ['ringPosition', 'temperatureC'] as const) {
      void simulatedValue(settings.camera, name === 'ringPosition' ? 'ring' : name).then((value) => {
        if (value !== null) setValues((old) => (old[name] === '' ? { ...old, [name]: String(value) } : old));
      });
    }
  }, [settings.camera]);

  const save = async (event: FormEvent) => {
    event.preventDefault();
    const numbers = NUMBERS.map((name) => [name, parseNumber(values[name])] as const);
    const wrong = numbers.find(([, number]) => Number.isNaN(number));
    if (wrong) return setProblem({ field: wrong[0], text: strings.field.notNumber });
    const { camera, optics } = settings;
    const { learned: _, ...mask } = settings.mask;
    const draft: NewEntry = {
      id,
      ...Object.fromEntries(numbers),
      ...Object.fromEntries(TEXTS.map((name) => [name, values[name]])),
      ...measured,
      settings: { camera, fNumber: optics.fNumber, pixelUm: session.state.optics.pixelUm, mask },
    };
    try {
      await api.addEntry(draft);
    } catch (error) {
      return setProblem({ field: null, text: (error as Error).message });
    }
    setProblem(null);
    session.dismissTestShot();
    setId(crypto.randomUUID());
    setValues((old) => ({ ...old, note: '' }));
    onSaved();
  };

  return (
    <form className="panel entry" onSubmit={save} aria-label={strings.entry.label}>
      <h2>{strings.entry.label}</h2>
      <p>{strings.entry.measured(measured)}</p>
      <div className="fields">
        {ORDER.map((name, index) => (
          <EntryField
            key={name}
            name={name}
            value={values[name]}
            error={problem?.field === name ? problem.text : undefined}
            inputRef={index === 0 ? first : undefined}
            onChange={(value) => setValues({ ...values, [name]: value })}
          />
        ))}
      </div>
      {problem && problem.field === null && <p role="alert">{problem.text}</p>}
      <button type="submit">
        <kbd>Enter</kbd> {strings.entry.save}
      </button>
    </form>
  );
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
