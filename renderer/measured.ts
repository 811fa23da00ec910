import type { Measurement, Optics } from '../core/measurement.ts';
import { depthOfFocusUm } from '../core/optics/formulas.ts';
import type { NewEntry } from '../host/api.ts';
import type { SessionState } from './session.ts';

export type Measured = Pick<
  NewEntry,
  'offsetPx' | 'offsetSigmaPx' | 'defocusUm' | 'defocusSigmaUm' | 'verdict' | 'measuredOn'
>;

/** Live view counts as in focus from this probability on. */
const SURE = 0.9;

/** Whether a single measurement lies inside the depth of focus; null when the optics are not known. */
export function isInFocus({ defocusUm }: Measurement, { fNumber }: Optics): boolean | null {
  if (defocusUm === null || fNumber === null) return null;
  return Math.abs(defocusUm) <= depthOfFocusUm(fNumber);
}

/** What belongs into a notebook entry now: the test shot when there is one, else live view. */
export function measuredNow({ testShot, instruction }: SessionState): Measured {
  if (testShot?.state === 'measured' && testShot.result.reading.status === 'measured') {
    const { reading, optics: stillOptics } = testShot.result;
    const inFocus = isInFocus(reading, stillOptics);
    return {
      offsetPx: reading.offsetPx,
      offsetSigmaPx: reading.offsetSigmaPx,
      defocusUm: reading.defocusUm,
      defocusSigmaUm: reading.defocusSigmaUm,
      verdict: inFocus === null ? 'not-measured' : inFocus ? 'in-focus' : 'out-of-focus',
      measuredOn: 'still',
    };
  }
  if (!('aim' in instruction)) return {};
  const { offsetPx, offsetSigmaPx, distanceUm, distanceSigmaUm, focused, inFocusProbability } = instruction.aim;
  // As with a measurement: the offset's sign while it is not known which side is in front.
  const sign = focused === null ? Math.sign(offsetPx) : focused === 'in-front' ? 1 : -1;
  return {
    offsetPx,
    offsetSigmaPx,
    defocusUm: distanceUm === null ? null : sign * distanceUm,
    defocusSigmaUm: distanceSigmaUm,
    verdict: inFocusProbability >= SURE ? 'in-focus' : 'out-of-focus',
    measuredOn: 'live',
  };
}
