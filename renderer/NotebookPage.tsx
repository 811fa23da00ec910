import { useState } from 'react';
import type { Entry } from '../host/api.ts';
import { DataPanel } from './DataPanel.tsx';
import { EntryForm } from './EntryForm.tsx';
import { EntryTable } from './EntryTable.tsx';
import { useKeys } from './keys.ts';
import { useNotebook } from './notebook.tsx';
import { PaperPanel } from './PaperPanel.tsx';
import { RingPanel } from './RingPanel.tsx';
import { strings } from './strings.ts';

const words = strings.notebook;

/** Write down where the ring stands, read and correct what was written before, and see what it teaches. */
export function NotebookPage() {
  const { entries, state, change, remove } = useNotebook();
  const { problem } = state;
  const [edited, setEdited] = useState<Entry | null>(null);
  const [removed, setRemoved] = useState<Entry | null>(null);
  const [message, setMessage] = useState<{ text: string; alert: boolean } | null>(null);

  const say = (text: string) => setMessage({ text, alert: false });
  const warn = (error: Error) => setMessage({ text: error.message, alert: true });
  const takeOut = (entry: Entry) =>
    remove(entry.id).then(() => {
      setRemoved(entry);
      setEdited(null);
      say(words.removed);
    }, warn);
  const undo = () => {
    if (!removed) return;
    change(removed).then(() => {
      setRemoved(null);
      say(words.putBack);
    }, warn);
  };
  const saved = () => {
    setEdited(null);
    setRemoved(null);
    say(words.saved);
  };
  useKeys({ ...(removed && { u: undo }), ...(edited && { Escape: () => setEdited(null) }) });

  return (
    <div className="page notebook">
      {problem && <ReadOnly onError={warn} />}
      {entries && !problem && (
        <EntryForm
          key={edited?.id}
          previous={entries[0]}
          edited={edited}
          onSaved={saved}
          onLeave={() => setEdited(null)}
        />
      )}
      {message && (
        <div className="row">
          <p role={message.alert ? 'alert' : 'status'}>{message.text}</p>
          {removed && (
            <button type="button" onClick={undo}>
              <kbd>U</kbd> {words.undo}
            </button>
          )}
        </div>
      )}
      <RingPanel />
      <section className="panel entries" aria-labelledby="entries-title">
        <h2 id="entries-title">{words.list}</h2>
        {entries?.length === 0 && <p className="soft">{words.empty}</p>}
        {entries && entries.length > 0 && (
          <EntryTable entries={entries} locked={problem !== null} onEdit={setEdited} onRemove={takeOut} />
        )}
      </section>
      <PaperPanel />
      <DataPanel onDone={say} onError={warn} />
    </div>
  );
}

/** The file cannot be used: what is seen instead, and the way on. */
function ReadOnly({ onError }: { onError: (error: Error) => void }) {
  const { state, restore } = useNotebook();
  return (
    <section className="panel" aria-label={words.readOnly}>
      <p role="alert">{state.problem}</p>
      {state.mayRestore && (
        <div className="row">
          <button type="button" onClick={() => restore().catch(onError)}>
            {words.restore}
          </button>
          <p className="soft">{words.restoreHint}</p>
        </div>
      )}
    </section>
  );
}
