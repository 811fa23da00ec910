import type { Calibration } from '../core/guide/calibrate.ts';
import { type Aim, guide } from '../core/guide/guide.ts';
import { Tracker } from '../core/track/track.ts';
import type { NewEntry } from '../host/api.ts';
import type { SessionState } from './session.ts';
import type { VisionResult } from './vision/protocol.ts';

export type Measured = Pick<
  NewEntry,
  'offsetPx' | 'offsetSigmaPx' | 'defocusUm' | 'defocusSigmaUm' | 'verdict' | 'measuredOn'
>;

/** Live view counts as in focus from this probability on; of a single picture the likelier answer is taken. */
const SURE = { live: 0.9, still: 0.5 };

/** What a single picture alone says of where the ring stands, by the signs that the calibration turn taught. */
export function aimOfStill(
  { header, reading, optics }: Pick<VisionResult, 'header' | 'reading' | 'optics'>,
  calibration: Calibration | null,
): Aim | null {
  const instruction = guide(new Tracker().push(Date.parse(header.timeUtc), reading), optics, calibration);
  return 'aim' in instruction ? instruction.aim : null;
}

/** Null when the depth of focus is not known. */
export function isInFocus({ toleranceUm, inFocusProbability }: Aim): boolean | null {
  return toleranceUm === null ? null : inFocusProbability > SURE.still;
}

/** What belongs into a notebook entry now: the test shot when there is one, else live view. */
export function measuredNow({ testShot, instruction }: SessionState, calibration: Calibration | null): Measured {
  const still = testShot?.state === 'measured' ? aimOfStill(testShot.result, calibration) : null;
  if (still) {
    const inFocus = isInFocus(still);
    const verdict = inFocus === null ? 'not-measured' : inFocus ? 'in-focus' : 'out-of-focus';
    return { ...amounts(still), verdict, measuredOn: 'still' };
  }
  if (!('aim' in instruction)) return {};
  const { aim } = instruction;
  const verdict = aim.inFocusProbability >= SURE.live ? 'in-focus' : 'out-of-focus';
  return { ...amounts(aim), verdict, measuredOn: 'live' };
}

function amounts({ offsetPx, offsetSigmaPx, distanceUm, distanceSigmaUm, focused }: Aim): Measured {
  // As with a measurement: the offset's sign while it is not known which side is in front.
  const sign = focused === null ? Math.sign(offsetPx) : focused === 'in-front' ? 1 : -1;
  const defocusUm = distanceUm === null ? null : sign * distanceUm;
  return { offsetPx, offsetSigmaPx, defocusUm, defocusSigmaUm: distanceSigmaUm };
}
