import { learnMask } from '../core/learn/mask.ts';
import { useKeys } from './keys.ts';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';
import type { VisionResult } from './vision/protocol.ts';

const words = strings.learnMask;

/** What a test shot says of the mask: kept, it gives every picture's scale from then on. */
export function LearnMask({ result: { header, reading, optics } }: { result: VisionResult }) {
  const { settings, change } = useSettings();
  const taught = reading.status === 'measured' ? learnMask(reading, optics, header.timeUtc) : null;
  const isTaught = taught !== null && typeof taught !== 'string';
  const keep = () => {
    if (!isTaught) return;
    // No finer than it is known, to be read in the settings.
    const pitchUm = Math.round(taught.pitchUm! * 10) / 10;
    const outerAngleDeg = Math.round(taught.outerAngleDeg! * 100) / 100;
    void change({ mask: { ...settings.mask, ...taught, pitchUm, outerAngleDeg } });
  };
  useKeys({ m: keep });
  if (taught === null) return null;
  if (!isTaught) return <p className="step soft">{words.missing[taught]}</p>;
  const isKept = settings.mask.learned?.timeUtc === header.timeUtc;
  return (
    <div className="row">
      <p className="step">{words.figures(taught)}</p>
      <button type="button" aria-pressed={isKept} onClick={keep}>
        <kbd>M</kbd> {isKept ? words.kept : words.keep}
      </button>
    </div>
  );
}
