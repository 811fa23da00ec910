import { strings } from './strings.ts';

/** Cautions, the course of an evening, and every key. */
export function HelpPage() {
  const { help, caution } = strings;
  return (
    <div className="page help">
      <section className="panel" aria-labelledby="caution-title">
        <h2 id="caution-title">{caution.label}</h2>
        <p>
          <strong>{caution.sun}</strong>
        </p>
        <p>{caution.ground}</p>
      </section>
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
    </div>
  );
}
