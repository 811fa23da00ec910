import { useEffect, useRef } from 'react';
import { depthOfFocusUm } from '../core/optics/formulas.ts';
import { REASONS } from '../core/strings.ts';
import { drawCloseUp } from './draw.ts';
import { useKeys } from './keys.ts';
import { isInFocus } from './measured.ts';
import { fitToBox } from './Picture.tsx';
import { type TestShot, useSession } from './session.ts';
import { strings } from './strings.ts';
import type { VisionResult } from './vision/protocol.ts';

/** A still taken by the camera itself and measured like a live frame. */
export function TestShotPanel({ testShot }: { testShot: TestShot }) {
  const session = useSession();
  useKeys({ Enter: () => session.dismissTestShot() });
  return (
    <section className="panel instruction" aria-label={strings.testShot.label}>
      <h2>{strings.testShot.label}</h2>
      {testShot.state === 'taking' && <p className="headline">{strings.testShot.taking}</p>}
      {testShot.state === 'failed' && <p role="alert">{testShot.reason}</p>}
      {testShot.state === 'measured' && <Still result={testShot.result} />}
      {testShot.state !== 'taking' && (
        <button type="button" onClick={() => session.dismissTestShot()}>
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
  const { reading, optics } = result;
  const words = strings.testShot;
  const measured = reading.status === 'measured';
  return (
    <>
      <p className="headline" role="status">
        {measured ? words.headline[`${isInFocus(reading, optics)}`] : words.none}
      </p>
      <p>
        {measured ? words.detail(reading, optics.fNumber && depthOfFocusUm(optics.fNumber)) : REASONS[reading.reason]}
      </p>
      <canvas ref={ref} className="still" role="img" aria-label={strings.testShot.picture} />
    </>
  );
}
