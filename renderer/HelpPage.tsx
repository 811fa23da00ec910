import { FieldCard } from './FieldCard.tsx';
import { strings } from './strings.ts';

/** Cautions, the course of an evening, and every key. */
export function HelpPage() {
  const { help } = strings;
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: what scrolls must be reachable by keyboard (WCAG 2.1.1)
    <section className="page help" aria-label={strings.nav.help} tabIndex={0}>
      <FieldCard />
      <section className="panel" aria-labelledby="steps-title">
        <h2 id="steps-title">{help.stepsTitle}</h2>
        <ol>
          {help.steps.map((step) => (
            <li key={step}>{step}</li>
          ))}
        </ol>
      </section>
      <section className="panel" aria-labelledby="keys-title">
        <h2 id="keys-title">{help.keysTitle}</h2>
        <dl>
          {help.keys.map(([key, meaning]) => (
            <div key={key}>
              <dt>
                <kbd>{key}</kbd>
              </dt>
              <dd>{meaning}</dd>
            </div>
          ))}
        </dl>
      </section>
    </section>
  );
}
