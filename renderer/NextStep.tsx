import type { Page } from './App.tsx';
import { useKeys } from './keys.ts';
import { screenOf, useSettings } from './settings.ts';
import { strings } from './strings.ts';

/** What follows in the course of an evening: prepare, turn, prove, note, next zoom. The focus page's own keys lead on. */
const NEXT: Partial<Record<Page, { key: string; to: Page; words: { line: string; go: string } }>> = {
  prepare: { key: 'Enter', to: 'focus', words: strings.nextStep.prepare },
  prove: { key: 'L', to: 'notebook', words: strings.nextStep.prove },
  notebook: { key: 'Z', to: 'prepare', words: strings.nextStep.notebook },
};

/** One quiet line below a page: the next step, and the key that goes there. */
export function NextStep({ page, onGo }: { page: Page; onGo: (to: Page) => void }) {
  const { settings } = useSettings();
  // Before the field card is read, Enter is its key.
  const isCardOpen = page === 'prepare' && !screenOf(settings).fieldCardSeen;
  const next = isCardOpen ? undefined : NEXT[page];
  useKeys(next ? { [next.key.length === 1 ? next.key.toLowerCase() : next.key]: () => onGo(next.to) } : {});
  if (!next) return null;
  return (
    <section className="next" aria-label={strings.nextStep.label}>
      <p>{next.words.line}</p>
      <button type="button" onClick={() => onGo(next.to)}>
        <kbd>{next.key}</kbd> {next.words.go}
      </button>
    </section>
  );
}
