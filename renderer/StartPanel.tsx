import { withSigma } from '../core/strings.ts';
import { useEvening } from './evening.tsx';
import { NumberField } from './fields.tsx';
import { useNotebook } from './notebook.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.start;

/** What the notebook predicts for lens, focal length and temperature as they are now; null while it cannot. */
function useStart() {
  const { memory } = useNotebook();
  const { settings } = useSettings();
  const { temperatureC } = useEvening();
  if (!memory) return null;
  return { ...memory, prediction: memory.model.predict({ focalMm: settings.optics.focalMm, temperatureC }) };
}

/** Before the user touches the ring: where it will have to stand. */
export function StartPanel() {
  const start = useStart();
  const { temperatureC, setTemperatureC } = useEvening();
  return (
    <section className="panel start" aria-labelledby="start-title">
      <h2 id="start-title">{words.title}</h2>
      {start ? (
        <>
          <p className="headline">{words.at(start.prediction, start.unit)}</p>
          <p>{words.detail(start.prediction, start.unit)}</p>
        </>
      ) : (
        <p>{words.none}</p>
      )}
      <NumberField
        label={words.temperatureC}
        value={temperatureC === null ? null : Math.round(10 * temperatureC) / 10}
        onCommit={setTemperatureC}
      />
    </section>
  );
}

/** The same in one line over the live picture, until focus is found at this focal length. */
export function StartLine() {
  const start = useStart();
  const { found } = useEvening();
  if (!start || found) return null;
  const { position, sigma } = start.prediction;
  return (
    <p className="start-line" role="status">
      {words.line(withSigma(position, sigma, start.unit))}
    </p>
  );
}
