import { lensInUse } from '../core/kit/kit.ts';
import { useEvening } from './evening.tsx';
import { useNotebook } from './notebook.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.ring;

/** What the notebook has learned of the ring of the lens in use. */
export function RingPanel() {
  const { memory, entries } = useNotebook();
  const { settings } = useSettings();
  const { temperatureC } = useEvening();
  if (!entries) return null;
  if (!memory)
    return (
      <section className="panel" aria-labelledby="ring-memory-title">
        <h2 id="ring-memory-title">{words.title(settings.lensName)}</h2>
        <p className="soft">{words.nothing}</p>
      </section>
    );
  const { model, unit } = memory;
  const focalMm = settings.optics.focalMm;
  const doubtful = model.residuals.filter(({ bad }) => bad).length;
  const facts = [
    ...focalLengths(entries, settings).map((mm) => [
      words.expect(mm, temperatureC),
      words.position(model.predict({ focalMm: mm, temperatureC }), unit),
    ]),
    [words.perDegree, words.estimate(model.perDegree(focalMm), unit)],
    [words.backlash, words.estimate(model.backlash(), unit)],
    [words.noise, words.spread(model.noise, unit)],
  ];
  return (
    <section className="panel ring-memory" aria-labelledby="ring-memory-title">
      <h2 id="ring-memory-title">{words.title(settings.lensName)}</h2>
      <dl className="figures">
        {facts.map(([label, value]) => (
          <div key={label}>
            <dt>{label}</dt>
            <dd>{value}</dd>
          </div>
        ))}
      </dl>
      {doubtful > 0 && <p role="status">{words.doubtful(doubtful)}</p>}
    </section>
  );
}

/** Focal lengths to tell of: those written down for the lens, and the one in use. */
function focalLengths(
  entries: NonNullable<ReturnType<typeof useNotebook>['entries']>,
  settings: ReturnType<typeof useSettings>['settings'],
): (number | null)[] {
  const lens = lensInUse(settings);
  if (lens && lens.focalMinMm === lens.focalMaxMm) return [lens.focalMinMm];
  const written = entries.flatMap((entry) => (entry.lens === settings.lensName && entry.focalMm ? entry.focalMm : []));
  const all = [...new Set([...written, settings.optics.focalMm])].filter((mm) => mm !== null);
  return all.length > 0 ? all.toSorted((a, b) => a - b).slice(0, 8) : [null];
}
