import { type ChangeEvent, useEffect, useState } from 'react';
import type { Entry } from '../host/api.ts';
import { api } from './api.ts';
import { EntryForm } from './EntryForm.tsx';
import { strings } from './strings.ts';

/** Write down where the ring stands, and read what was written down before. */
export function NotebookPage() {
  const [entries, setEntries] = useState<Entry[] | null>(null);
  const [message, setMessage] = useState<{ text: string; alert: boolean } | null>(null);

  const load = async (done: string | null) => {
    try {
      setEntries(await api.entries());
      setMessage(done === null ? null : { text: done, alert: false });
    } catch (error) {
      setMessage({ text: (error as Error).message, alert: true });
    }
  };
  useEffect(() => void load(null), []);

  const importFile = async ({ target }: ChangeEvent<HTMLInputElement>) => {
    const file = target.files?.[0];
    if (!file) return;
    try {
      await load(strings.notebook.imported(await api.takeOver(await file.text())));
    } catch (error) {
      setMessage({ text: (error as Error).message, alert: true });
    }
    target.value = '';
  };

  return (
    <div className="page notebook">
      {entries && <EntryForm previous={entries[0]} onSaved={() => void load(strings.notebook.saved)} />}
      <section className="panel entries" aria-labelledby="entries-title">
        <div className="row">
          <h2 id="entries-title">{strings.notebook.list}</h2>
          <a className="button" href="/api/entries.csv" download>
            {strings.notebook.exportCsv}
          </a>
          <a className="button" href="/api/data.json" download>
            {strings.notebook.exportJson}
          </a>
          <label className="button file">
            {strings.notebook.import}
            <input type="file" accept=".json,.csv,application/json,text/csv" onChange={importFile} />
          </label>
        </div>
        {message && <p role={message.alert ? 'alert' : 'status'}>{message.text}</p>}
        {entries?.length === 0 && <p className="soft">{strings.notebook.empty}</p>}
        {entries && entries.length > 0 && <EntryTable entries={entries} />}
      </section>
    </div>
  );
}

function EntryTable({ entries }: { entries: Entry[] }) {
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: what scrolls must be reachable by keyboard (WCAG 2.1.1)
    <section className="scroll" aria-label={strings.notebook.list} tabIndex={0}>
      <table>
        <thead>
          <tr>
            {strings.notebook.columns.map((label) => (
              <th key={label} scope="col">
                {label}
              </th>
            ))}
          </tr>
        </thead>
        <tbody>
          {entries.map((entry) => (
            <tr key={entry.id}>
              <td>{strings.time(entry.timeUtc)}</td>
              <td>{strings.notebook.ring(entry)}</td>
              <td>{entry.lens}</td>
              <td>{strings.quantity(entry.focalMm, 'mm')}</td>
              <td>{strings.quantity(entry.temperatureC, '°C')}</td>
              <td>{entry.target}</td>
              <td>{strings.notebook.measured(entry)}</td>
              <td>{entry.note}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </section>
  );
}
