import { useMemo } from 'react';
import type { Entry } from '../host/api.ts';
import { useNotebook } from './notebook.tsx';
import { strings } from './strings.ts';

const words = strings.notebook;

interface EntryTableProps {
  entries: readonly Entry[];
  /** They can only be read. */
  locked: boolean;
  onEdit: (entry: Entry) => void;
  onRemove: (entry: Entry) => void;
}

/** All entries, newest first; those of the lens in use against what the others predict for them. */
export function EntryTable({ entries, locked, onEdit, onRemove }: EntryTableProps) {
  const { memory } = useNotebook();
  const residuals = useMemo(() => new Map(memory?.model.residuals.map((known) => [known.id, known])), [memory]);
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: what scrolls must be reachable by keyboard (WCAG 2.1.1)
    <section className="scroll" aria-label={words.list} tabIndex={0}>
      <table>
        <thead>
          <tr>
            {words.columns.map((label) => (
              <th key={label} scope="col">
                {label}
              </th>
            ))}
            {!locked && <td />}
          </tr>
        </thead>
        <tbody>
          {entries.map((entry) => {
            const residual = residuals.get(entry.id);
            return (
              <tr key={entry.id} className={residual?.bad ? 'doubtful' : undefined}>
                <td>{strings.time(entry.timeUtc)}</td>
                <td>{words.ring(entry)}</td>
                <td>{residual && words.residual(residual)}</td>
                <td>{entry.lens}</td>
                <td>{strings.quantity(entry.focalMm, 'mm')}</td>
                <td>{strings.quantity(entry.temperatureC, '°C')}</td>
                <td>{entry.target}</td>
                <td>{words.measured(entry)}</td>
                <td>{entry.note}</td>
                {!locked && (
                  <td>
                    <div className="actions">
                      <button type="button" className="quiet" onClick={() => onEdit(entry)}>
                        {words.edit}
                      </button>
                      <button type="button" className="quiet" onClick={() => onRemove(entry)}>
                        {words.remove}
                      </button>
                    </div>
                  </td>
                )}
              </tr>
            );
          })}
        </tbody>
      </table>
    </section>
  );
}
