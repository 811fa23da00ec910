import { useEffect, useMemo, useRef } from 'react';
import { mapWords } from '../core/stars/words.ts';
import { distanceText, REASONS } from '../core/strings.ts';
import { drawCloseUp } from './draw.ts';
import { useKeys } from './keys.ts';
import { LearnMask } from './LearnMask.tsx';
import { aimOfStill, isInFocus } from './measured.ts';
import { fitToBox } from './Picture.tsx';
import type { TestShot } from './session.ts';
import { calibrationOf, useSettings } from './settings.ts';
import { strings } from './strings.ts';
import type { VisionResult } from './vision/protocol.ts';

/** A still taken by the camera itself and measured like a live frame. */
export function TestShotPanel({ testShot, onBack }: { testShot: TestShot; onBack: () => void }) {
  useKeys({ Enter: onBack });
  return (
    <section className="panel instruction" aria-label={strings.testShot.label}>
      <h2>{strings.testShot.label}</h2>
      {testShot.state === 'taking' && <p className="headline">{strings.testShot.taking}</p>}
      {testShot.state === 'failed' && <p role="alert">{testShot.reason}</p>}
      {testShot.state === 'measured' && <Still result={testShot.result} />}
      {testShot.state !== 'taking' && (
        <button type="button" onClick={onBack}>
          <kbd>Enter</kbd> {strings.testShot.back}
        </button>
      )}
    </section>
  );
}

function Still({ result }: { result: VisionResult }) {
  const ref = useRef<HTMLCanvasElement>(null);
  useEffect(() => {
    const canvas = ref.current!;
    fitToBox(canvas);
    drawCloseUp(canvas.getContext('2d', { alpha: false })!, result);
  }, [result]);
  const { settings } = useSettings();
  const aim = useMemo(() => aimOfStill(result, calibrationOf(settings)), [result, settings]);
  const { reading } = result;
  const words = strings.testShot;
  return (
    <>
      <p className="headline" role="status">
        {aim ? words.headline[`${isInFocus(aim)}`] : words.none}
      </p>
      {aim && <p className="step">{words.detail(distanceText(aim), aim)}</p>}
      {reading.status === 'no-pattern' && <p className="step">{REASONS[reading.reason]}</p>}
      {result.stars && <p className="step">{words.bare(mapWords(result.stars.map).lines[0])}</p>}
      <LearnMask result={result} />
      <canvas ref={ref} className="still" role="img" aria-label={strings.testShot.picture} />
    </>
  );
}
