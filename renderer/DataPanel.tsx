import type { ChangeEvent } from 'react';
import { api } from './api.ts';
import { useNotebook } from './notebook.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.data;

/** Everything that is kept, to be carried to another machine and back. */
export function DataPanel({ onDone, onError }: { onDone: (text: string) => void; onError: (error: Error) => void }) {
  const { takeOver } = useNotebook();
  const { change } = useSettings();
  const importFile = async ({ target }: ChangeEvent<HTMLInputElement>) => {
    const file = target.files?.[0];
    if (!file) return;
    try {
      const result = await takeOver(await file.text());
      if (result.kit || result.settings) await change(await api.settings());
      onDone(words.imported(result));
    } catch (error) {
      onError(error as Error);
    }
    target.value = '';
  };
  const downloads = [
    ['/api/data.json', words.everything],
    ['/api/data.json?parts=kit', words.kit],
    ['/api/entries.csv', words.csv],
  ];
  return (
    <section className="panel" aria-labelledby="data-title">
      <div className="row">
        <h2 id="data-title">{words.title}</h2>
        {downloads.map(([href, label]) => (
          <a key={href} className="button" href={href} download>
            {label}
          </a>
        ))}
        <label className="button file">
          {words.import}
          <input type="file" accept=".json,.csv,application/json,text/csv" onChange={importFile} />
        </label>
      </div>
      <p className="soft">{words.hint}</p>
    </section>
  );
}
