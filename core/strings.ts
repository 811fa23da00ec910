/**
 * Words that the screen and the command line share: why there is no measurement, what to do now,
 * and how a number with its σ is written. Plain, short, calm; each reason says what to do about it.
 */
import type { CalibrationRefusal, Direction } from './guide/calibrate.ts';
import type { Aim, Instruction } from './guide/guide.ts';
import type { ReasonCode } from './measurement.ts';

/** A headline of at most four words for big type, and one line of detail. */
export interface Words {
  headline: string;
  detail: string;
}

export const reasonWords: Record<ReasonCode, Words> = {
  'no-star': {
    headline: 'No star',
    detail: 'No star in the picture: point the camera at a bright star, start at the ∞ mark.',
  },
  'too-dim': {
    headline: 'Star too dim',
    detail: 'The star is too dim to measure: choose a brighter one, open the lens, or raise the live view exposure.',
  },
  'too-bright': {
    headline: 'Too bright',
    detail: 'The spots are burnt out: lower the live view exposure or choose a dimmer star.',
  },
  'at-edge': {
    headline: 'Star at the edge',
    detail: 'Part of the pattern is cut off: bring the star nearer to the middle of the picture.',
  },
  'pair-missing': {
    headline: 'Shift the mask',
    detail: 'One pair of spots is missing because the mask covers the lens unevenly: centre it on the lens.',
  },
  'spikes-only': {
    headline: 'Is the mask on?',
    detail: 'Only the spikes of the lens’s own diaphragm are seen: put the mask before the lens.',
  },
  'no-spots': {
    headline: 'No spots seen',
    detail: 'A star but no spots beside it: put the mask on, or magnify live view if it is on.',
  },
  'motion-blur': {
    headline: 'Picture is blurred',
    detail: 'The star is smeared: let the tripod come to rest, shelter it from wind, shorten the exposure.',
  },
  'too-far': {
    headline: 'Far from focus',
    detail: 'Too far from focus to measure: turn the ring towards the ∞ mark until the star is small.',
  },
};

const directionWords: Record<Direction, string> = {
  clockwise: 'clockwise',
  'counter-clockwise': 'counter-clockwise',
};

/** What to do now, in words. Directions are as seen from behind the camera. */
export function instructionWords(instruction: Instruction): Words {
  switch (instruction.kind) {
    case 'no-pattern':
      return instruction.reason
        ? reasonWords[instruction.reason]
        : { headline: 'Waiting for pictures', detail: 'No new picture from the camera yet.' };
    case 'hold':
      return {
        headline: 'Hands off',
        detail:
          instruction.seconds === null
            ? 'Measuring: leave the ring alone for a moment.'
            : `Measuring: ${seconds(instruction.seconds)} more to be sure.`,
      };
    case 'magnify':
      return {
        headline: 'Magnify live view',
        detail: `${distanceText(instruction.aim)} from focus, but not sure enough at this size: magnify, or use a brighter star.`,
      };
    case 'distance':
      return {
        headline: {
          closer: 'Getting closer',
          away: 'Getting further away',
          none: `${amountText(instruction.aim)} off`,
        }[instruction.moving ?? 'none'],
        detail:
          `${distanceText(instruction.aim)} from focus. ` +
          (instruction.why === 'mask-turned'
            ? 'The mask has been turned: do the calibration turn again.'
            : 'Which way to turn is known after the calibration turn.'),
      };
    case 'turn':
      return {
        headline:
          instruction.moving === 'away'
            ? `Other way: ${directionWords[instruction.direction]}`
            : `Turn ${directionWords[instruction.direction]}`,
        detail: `${distanceText(instruction.aim)} to go${focusedText(instruction.aim)}.`,
      };
    case 'slow-down':
      return { headline: 'Slow down', detail: `${distanceText(instruction.aim)} to go.` };
    case 'stop':
      return { headline: 'Stop', detail: 'At focus: take the hand off the ring.' };
    case 'passed':
      return {
        headline: 'Passed it',
        detail: `Turn back${instruction.direction ? ` ${directionWords[instruction.direction]}` : ''}: ${distanceText(instruction.aim)}.`,
      };
    case 'in-focus':
      return {
        headline: 'In focus',
        detail: `${distanceText(instruction.aim)} from focus, ${bandText(instruction.aim)}. Hands off: ${seconds(instruction.seconds)} more.`,
      };
    case 'write-it-down':
      return {
        headline: 'Write it down',
        detail: `In focus and steady for ${seconds(instruction.steadySeconds)}: ${distanceText(instruction.aim)} from focus, ${bandText(instruction.aim)}.`,
      };
  }
}

export const calibrationRefusalWords: Record<CalibrationRefusal, Words> = {
  'no-pattern': {
    headline: 'No measurement',
    detail: 'The pattern was not measured before and after the turn: bring it back and start again.',
  },
  'not-still': { headline: 'Ring still moving', detail: 'Take the hand off the ring, wait a moment, then answer.' },
  'too-small': {
    headline: 'Turn further',
    detail: 'The turn was too small to tell from noise: turn a little further the same way.',
  },
  'mask-moved': {
    headline: 'Mask has moved',
    detail: 'Mask or camera turned during the calibration turn: fasten them and start again.',
  },
  'marks-equal': {
    headline: 'Same ring mark',
    detail: 'Both ring marks are the same: read them again, or leave them empty.',
  },
};

/** The calibration turn's own convention, to show beside the question. */
export const directionConvention = 'As seen from behind the camera, looking towards the star.';

/** Amount for big type: "18 µm", "1.2 px"; ring marks where they are known: "0.4 marks". */
export function amountText({ distanceMarks, distanceSigmaMarks, distanceUm, distanceSigmaUm, ...aim }: Aim): string {
  if (distanceMarks !== null) return `${rounded(distanceMarks, distanceSigmaMarks!)} marks`;
  if (distanceUm !== null) return `${rounded(distanceUm, distanceSigmaUm!)} µm`;
  return `${rounded(Math.abs(aim.offsetPx), aim.offsetSigmaPx)} px`;
}

/** The distance from focus in full: "18.3 ± 0.7 µm, about 0.41 ± 0.03 ring marks". */
export function distanceText(aim: Aim): string {
  const distance =
    aim.distanceUm === null
      ? withSigma(Math.abs(aim.offsetPx), aim.offsetSigmaPx, 'px')
      : withSigma(aim.distanceUm, aim.distanceSigmaUm!, 'µm');
  if (aim.distanceMarks === null) return distance;
  return `${distance}, about ${withSigma(aim.distanceMarks, aim.distanceSigmaMarks!, 'ring marks')}`;
}

/**
 * A value with its standard deviation, both rounded to where the σ has one figure (two if it starts with 1):
 * "18.3 ± 0.7 µm", "−1.27 ± 0.14 px" (Guide to the expression of uncertainty in measurement, 7.2.6).
 */
export function withSigma(value: number, sigma: number, unit: string): string {
  return `${rounded(value, sigma)} ± ${rounded(sigma, sigma)} ${unit}`;
}

/** `value` with as many decimals as its σ deserves; a true minus sign. */
function rounded(value: number, sigma: number): string {
  const exponent = sigma > 0 && Number.isFinite(sigma) ? Math.floor(Math.log10(sigma)) : -2;
  const leading = sigma / 10 ** exponent;
  const decimals = -exponent + (leading < 1.95 ? 1 : 0);
  const unit = 10 ** Math.max(0, -decimals);
  const text = (Math.round(value / unit) * unit || 0).toFixed(0);
  const shown = decimals > 0 ? value.toFixed(Math.min(decimals, 6)) : text;
  return (Number(shown) === 0 ? shown.replace('-', '') : shown).replace('-', '−');
}

function focusedText({ focused }: Aim): string {
  if (focused === null) return '';
  return focused === 'in-front' ? '; focused in front of the star' : '; focused behind the star';
}

function bandText({ toleranceUm, tolerancePx }: Aim): string {
  return toleranceUm === null
    ? `inside ±${Number(tolerancePx.toPrecision(2))} px (lens or mask not known)`
    : `inside the depth of focus ±${toleranceUm.toFixed(1)} µm`;
}

const seconds = (s: number): string => `${Math.ceil(s)} s`;
