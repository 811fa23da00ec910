import { type ReactNode, useId, useState } from 'react';
import { strings } from './strings.ts';

interface Labelled {
  label: string;
  hint?: string;
}

/** Label, control, hint and error in one block, tied together for screen readers. */
function Field({ label, hint, error, id, children }: Labelled & { id: string; error?: string; children: ReactNode }) {
  return (
    <div className="field">
      <label htmlFor={id}>{label}</label>
      {children}
      {hint && (
        <small id={`${id}-hint`} className="soft">
          {hint}
        </small>
      )}
      {error && (
        <small id={`${id}-error`} role="alert">
          {error}
        </small>
      )}
    </div>
  );
}

/** The number typed, null for an empty field, NaN for anything else; a decimal comma will do. */
export function parseNumber(text: string): number | null {
  const trimmed = text.trim().replace(',', '.').replace('−', '-');
  return trimmed === '' ? null : Number(trimmed);
}

interface NumberFieldProps extends Labelled {
  value: number | null;
  onCommit: (value: number | null) => void;
  /** The number must lie above this. */
  min?: number;
  /** The number must lie between these, or be one of them. */
  range?: [number, number];
}

/** Keeps what is typed until the field is left or Enter is pressed; a wrong number stays and says so. */
export function NumberField({ value, onCommit, min, range, ...labelled }: NumberFieldProps) {
  const id = useId();
  const [typed, setTyped] = useState<string | null>(null);
  const [error, setError] = useState<string>();
  const commit = () => {
    if (typed === null) return;
    const number = parseNumber(typed);
    const wrong = number === null ? undefined : whatIsWrong(number, min, range);
    setError(wrong);
    if (wrong) return;
    setTyped(null);
    if (number !== value) onCommit(number);
  };
  return (
    <Field id={id} error={error} {...labelled}>
      <input
        id={id}
        inputMode="decimal"
        autoComplete="off"
        aria-describedby={describedBy(id, labelled.hint, error)}
        aria-invalid={error !== undefined}
        value={typed ?? (value === null ? '' : String(value))}
        onChange={(event) => setTyped(event.target.value)}
        onBlur={commit}
        onKeyDown={(event) => event.key === 'Enter' && commit()}
      />
    </Field>
  );
}

function whatIsWrong(number: number, min?: number, range?: [number, number]): string | undefined {
  if (range && !(number >= range[0] && number <= range[1])) return strings.field.notWithin(...range);
  if (min !== undefined && !(number > min && Number.isFinite(number))) return strings.field.notAbove(min);
  return Number.isFinite(number) ? undefined : strings.field.notNumber;
}

export function TextField({
  value,
  onCommit,
  ...labelled
}: Labelled & { value: string; onCommit: (value: string) => void }) {
  const id = useId();
  const [typed, setTyped] = useState<string | null>(null);
  const commit = () => {
    if (typed !== null && typed.trim() !== value) onCommit(typed.trim());
    setTyped(null);
  };
  return (
    <Field id={id} {...labelled}>
      <input
        id={id}
        autoComplete="off"
        aria-describedby={describedBy(id, labelled.hint)}
        value={typed ?? value}
        onChange={(event) => setTyped(event.target.value)}
        onBlur={commit}
        onKeyDown={(event) => event.key === 'Enter' && commit()}
      />
    </Field>
  );
}

export function SelectField<T extends string>({
  value,
  options,
  onCommit,
  ...labelled
}: Labelled & { value: T; options: readonly { value: T; label: string }[]; onCommit: (value: T) => void }) {
  const id = useId();
  return (
    <Field id={id} {...labelled}>
      <select
        id={id}
        aria-describedby={describedBy(id, labelled.hint)}
        value={value}
        onChange={(event) => onCommit(event.target.value as T)}
      >
        {options.map((option) => (
          <option key={option.value} value={option.value}>
            {option.label}
          </option>
        ))}
      </select>
    </Field>
  );
}

function describedBy(id: string, hint?: string, error?: string): string | undefined {
  return [hint && `${id}-hint`, error && `${id}-error`].filter(Boolean).join(' ') || undefined;
}
