import { useKeys } from './keys.ts';
import { useSession, useSessionState } from './session.ts';
import { strings } from './strings.ts';
import { TestShotPanel } from './TestShotPanel.tsx';

/** Test shots: is what live view promised true in the photograph? */
export function ProvePage({ onBack }: { onBack: () => void }) {
  const session = useSession();
  const testShot = useSessionState((state) => state.testShot);
  const words = strings.testShot;
  const take = () => void session.takeTestShot();
  useKeys({ p: take });
  if (testShot)
    return (
      <div className="prove">
        <TestShotPanel testShot={testShot} onBack={onBack} />
      </div>
    );
  return (
    <div className="prove">
      <section className="panel instruction" aria-label={words.label}>
        <h2>{words.label}</h2>
        <p className="headline">{words.noneYet}</p>
        <p className="step">{words.invite}</p>
        <div className="row">
          <button type="button" onClick={take}>
            <kbd>P</kbd> {words.take}
          </button>
        </div>
      </section>
    </div>
  );
}
