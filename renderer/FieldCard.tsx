import { useId } from 'react';
import { useKeys } from './keys.ts';
import { screenOf, useSettings } from './settings.ts';
import { strings } from './strings.ts';

/** What to think of before walking out into the dark. */
export function FieldCard({ onUnderstood }: { onUnderstood?: () => void }) {
  const id = useId();
  const words = strings.fieldCard;
  return (
    <section className="panel field-card" aria-labelledby={id}>
      <h2 id={id}>{words.title}</h2>
      <p>
        <strong>{strings.caution.sun}</strong>
      </p>
      <p>{words.first}</p>
      <dl>
        {words.points.map(([what, advice]) => (
          <div key={what}>
            <dt>{what}</dt>
            <dd>{advice}</dd>
          </div>
        ))}
      </dl>
      {onUnderstood && (
        <button type="button" onClick={onUnderstood}>
          <kbd>Enter</kbd> {strings.caution.understood}
        </button>
      )}
    </section>
  );
}

/** The card as it is shown once, before anything is planned; afterwards it is on the help page. */
export function FieldCardOnce() {
  const { settings, changeScreen } = useSettings();
  const { fieldCardSeen } = screenOf(settings);
  const understood = () => changeScreen({ fieldCardSeen: true });
  useKeys(fieldCardSeen ? {} : { Enter: understood });
  return fieldCardSeen ? null : <FieldCard onUnderstood={understood} />;
}
