import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

/** What was measured of the pattern itself, small: to check mask and exposure by. */
export function Facts() {
  const reading = useSessionState((state) => state.reading);
  if (reading?.status !== 'measured') return null;
  const words = strings.facts;
  const facts = [
    [words.snr, reading.snr.toFixed(0)],
    [words.spots, strings.pixels(reading.spotDistancePx)],
    [words.middle, words.degrees(reading.middleAngleDeg)],
    [words.outer, words.degrees(reading.outerAngleDeg)],
  ];
  return (
    <dl className="facts" aria-label={words.label}>
      {facts.map(([label, value]) => (
        <div key={label}>
          <dt>{label}</dt>
          <dd>{value}</dd>
        </div>
      ))}
    </dl>
  );
}
