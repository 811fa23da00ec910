import { useState } from 'react';
import { api } from './api.ts';
import { useEvening } from './evening.tsx';
import { strings } from './strings.ts';

const words = strings.paper;
const SHEETS = ['card', 'tape', 'report'] as const;

/** What can be taken along on paper. */
export function PaperPanel() {
  const [problem, setProblem] = useState<string | null>(null);
  const { temperatureC } = useEvening();
  const print = (sheet: (typeof SHEETS)[number]) => {
    setProblem(null);
    api.paper(sheet, temperatureC).then(
      (pdf) => save(pdf, words.files[sheet]),
      (error: Error) => setProblem(error.message),
    );
  };
  return (
    <section className="panel" aria-labelledby="paper-title">
      <div className="row">
        <h2 id="paper-title">{words.title}</h2>
        {SHEETS.map((sheet) => (
          <button key={sheet} type="button" onClick={() => print(sheet)}>
            {words.sheets[sheet]}
          </button>
        ))}
      </div>
      {problem && <p role="alert">{problem}</p>}
    </section>
  );
}

function save(file: Blob, name: string): void {
  const url = URL.createObjectURL(file);
  const link = document.createElement('a');
  link.href = url;
  link.download = name;
  link.click();
  // By then the download has taken its own hold of it.
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
}
