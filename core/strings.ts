/**
 * Words that the screen and the command line share: why there is no measurement, what to do now,
 * and how a number with its σ is written. Plain, short, calm; each reason says what to do about it.
 */
import type { FocusFigures, OffsetFigures, SkyFigures, TrailFigures } from './calculators.ts';
import { MARK_SIGMA } from './guide/calibrate.ts';
import type { Aim, Instruction } from './guide/guide.ts';
import type { RefocusReason } from './guide/watch.ts';
import type { ReasonCode } from './measurement.ts';
import type { Entry } from './notebook/entry.ts';
import type { RingPrediction } from './notebook/ring.ts';

/** Why there is no measurement and what to do about it, one line. */
export const REASONS: Record<ReasonCode, string> = {
  'no-star': 'No star in the picture: point the camera at a bright star and start at the ∞ mark.',
  'too-dim': 'The star is too dim to measure: choose a brighter one, open the lens, or raise the live view exposure.',
  'too-bright': 'The spots are burnt out: lower the live view exposure or choose a dimmer star.',
  'at-edge': 'Part of the pattern is cut off: bring the star nearer to the middle of the picture.',
  'pair-missing': 'A pair of spots is missing because the mask covers the lens unevenly: shift the mask to the middle.',
  'spikes-only': 'Only the spikes of the lens’s own diaphragm are seen: put the mask before the lens.',
  'no-spots': 'A star but no spots beside it: put the mask on; if it is on, magnify live view.',
  'motion-blur': 'The star is smeared: let the tripod come to rest, shelter it from wind, shorten the exposure.',
  'too-far': 'Too far from focus to measure: turn the ring towards the ∞ mark until the star is small.',
};

const REASON_HEADLINES: Record<ReasonCode, string> = {
  'no-star': 'No star',
  'too-dim': 'Star too dim',
  'too-bright': 'Too bright',
  'at-edge': 'Star at the edge',
  'pair-missing': 'Shift the mask',
  'spikes-only': 'Is the mask on?',
  'no-spots': 'No spots seen',
  'motion-blur': 'Picture is blurred',
  'too-far': 'Far from focus',
};

/** What to do now, for the screen and the voice of the command line. */
export interface InstructionWords {
  /** At most four words, for big type. */
  headline: string;
  /** How far or how long, for big type; empty where there is nothing to tell. */
  amount: string;
  /** One line. */
  detail: string;
}

/** Directions are as seen from behind the camera. */
export function instructionWords(instruction: Instruction): InstructionWords {
  switch (instruction.kind) {
    case 'no-pattern': {
      const { reason, back } = instruction;
      if (!reason) return { headline: 'Waiting for pictures', amount: '', detail: 'No new picture from the camera.' };
      if (instruction.seconds) {
        const amount = seconds(instruction.seconds);
        if (reason === 'too-dim')
          return { headline: 'Faint star', amount, detail: `Adding up pictures: hands off, ${amount} more.` };
        const detail = `${REASONS[reason]} Or it is faint: adding up pictures, ${amount} more.`;
        return { headline: REASON_HEADLINES[reason], amount, detail };
      }
      if (reason === 'too-far' && back)
        return {
          headline: `Back, ${back}`,
          amount: '',
          detail: 'Too far from focus to measure: turn back until the star is small.',
        };
      return { headline: REASON_HEADLINES[reason], amount: '', detail: REASONS[reason] };
    }
    case 'hold': {
      const amount = instruction.seconds === null ? '' : seconds(instruction.seconds);
      const detail = amount ? `Measuring: ${amount} more to be sure.` : 'Measuring: leave the ring alone for a moment.';
      return { headline: 'Hands off', amount, detail };
    }
    case 'magnify':
      return {
        headline: 'Magnify live view',
        amount: '',
        detail: `${distanceText(instruction.aim)} from focus: not sure enough at this size. Magnify, or use a brighter star.`,
      };
    case 'distance': {
      const headline = instruction.moving
        ? { closer: 'Getting closer', away: 'Getting further away' }[instruction.moving]
        : 'Out of focus';
      const hint = {
        'not-calibrated': 'The calibration turn teaches which way to turn.',
        'mask-turned': 'The mask has been turned: do the calibration turn again.',
      }[instruction.why];
      return {
        headline,
        amount: amountText(instruction.aim),
        detail: `${distanceText(instruction.aim)} from focus. ${hint}`,
      };
    }
    case 'turn': {
      const { aim, direction, moving } = instruction;
      return {
        headline: moving === 'away' ? `Other way: ${direction}` : `Turn ${direction}`,
        amount: amountText(aim),
        detail: `${distanceText(aim)} to go${focusedText(aim)}.`,
      };
    }
    case 'slow-down':
      return {
        headline: 'Slow down',
        amount: amountText(instruction.aim),
        detail: `${distanceText(instruction.aim)} to go.`,
      };
    case 'stop':
      return { headline: 'Stop', amount: '', detail: 'At focus: take the hand off the ring.' };
    case 'passed': {
      const { aim, direction } = instruction;
      const headline = direction ? `Back, ${direction}` : 'Turn back';
      return { headline, amount: amountText(aim), detail: `Focus was passed: ${distanceText(aim)} back.` };
    }
    case 'in-focus': {
      const { aim } = instruction;
      const left = seconds(instruction.seconds);
      return {
        headline: 'In focus',
        amount: left,
        detail: `${distanceText(aim)} from focus, ${bandText(aim)}. Hands off: ${left} more.`,
      };
    }
    case 'write-it-down': {
      const { aim, steadySeconds } = instruction;
      const detail = `In focus and steady for ${seconds(steadySeconds)}: ${distanceText(aim)} from focus, ${bandText(aim)}.`;
      return { headline: 'Write it down', amount: '', detail };
    }
  }
}

/** Distance for big type: "18 µm", with ring marks once learned "18 µm · 0.40 marks", else "1.2 px". */
export function amountText(aim: Aim): string {
  if (aim.distanceUm === null) return `${rounded(Math.abs(aim.offsetPx), aim.offsetSigmaPx)} px`;
  const um = `${rounded(aim.distanceUm, aim.distanceSigmaUm!)} µm`;
  return aim.distanceMarks === null ? um : `${um} · ${marksText(aim.distanceMarks, aim.distanceSigmaMarks!)} marks`;
}

/** The finest part of a ring mark that a hand can follow: half of what an eye reads. */
const FINEST_MARKS = MARK_SIGMA / 2;

/** Ring marks in steps of 1, 2 or 5 that are no finer than their σ and than a hand; "under" the first step below half of it. */
export function marksText(marks: number, sigma: number): string {
  const least = Math.max(FINEST_MARKS, sigma);
  const ten = 10 ** Math.floor(Math.log10(least) + 1e-9);
  const step = ten * ([1, 2, 5, 10].find((part) => part * ten > 0.999 * least) ?? 10);
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const steps = Math.round(marks / step);
  return steps === 0 ? `under ${step.toFixed(decimals)}` : (steps * step).toFixed(decimals);
}

/** The distance from focus in full: "18.3 ± 0.7 µm, about 0.40 ring marks". */
export function distanceText(aim: Aim): string {
  const distance =
    aim.distanceUm === null
      ? withSigma(Math.abs(aim.offsetPx), aim.offsetSigmaPx, 'px')
      : withSigma(aim.distanceUm, aim.distanceSigmaUm!, 'µm');
  if (aim.distanceMarks === null) return distance;
  const marks = marksText(aim.distanceMarks, aim.distanceSigmaMarks!);
  return `${distance}, ${marks.startsWith('under') ? marks : `about ${marks}`} ring marks`;
}

/**
 * A value with its standard deviation, both rounded to where the σ has one figure (two if it starts with 1):
 * "18.3 ± 0.7 µm", "−1.27 ± 0.14 px" (Guide to the expression of uncertainty in measurement, 7.2.6).
 */
export function withSigma(value: number, sigma: number, unit: string): string {
  return `${rounded(value, sigma)} ± ${rounded(sigma, sigma)} ${unit}`;
}

/** Why to focus again, in one line. */
export function refocusText(reason: RefocusReason): string {
  switch (reason.kind) {
    case 'zoom': {
      const { fromMm, toMm, scale } = reason;
      if (toMm !== null) return `Zoomed from ${fromMm} to ${toMm} mm since focus was found.`;
      return `The pattern is ${scale! > 1 ? 'larger' : 'smaller'} than at focus (× ${scale!.toFixed(2)}): the lens was zoomed.`;
    }
    case 'temperature': {
      const { changeC, shiftUm, toleranceUm, learned } = reason;
      const by = `${Math.abs(changeC).toFixed(1)} °C ${changeC < 0 ? 'colder' : 'warmer'} than at focus`;
      const known = learned ? 'by the notebook' : 'as lenses commonly do';
      return `${by}: ${known} focus shifts ${shiftUm.toFixed(0)} µm, more than the depth of focus of ${toleranceUm.toFixed(0)} µm.`;
    }
    case 'knock':
      return 'Focus jumped while nobody turned the ring: tripod, lens or ring was knocked.';
    case 'drift':
      return 'Focus has crept out of the depth of focus.';
    case 'time':
      return `Focus was found ${reason.minutes} minutes ago.`;
  }
}

/** Where to turn the ring to, before it is touched. */
export function startText({ position, sigma, low95, high95, entries }: RingPrediction, unit: string): string {
  const range = `${rounded(low95, sigma)} to ${rounded(high95, sigma)}`;
  return `Start at ${withSigma(position, sigma, unit)} (95 %: ${range}; ${entries} ${entries === 1 ? 'entry' : 'entries'} in focus).`;
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

/** A figure worked out, in words: what it is, and how much with its unit. */
export type FigureLine = readonly [label: string, value: string];

/** To two significant digits, as the approximations deserve, with a true minus sign and ∞. */
export function figure(value: number, unit: string): string {
  if (!Number.isFinite(value)) return value < 0 ? '−∞' : '∞';
  const size = Math.abs(value);
  const decimals = size >= 10 || size === 0 ? 0 : size >= 1 ? 1 : 2;
  const shown = Number(value.toFixed(decimals)).toString().replace('-', '−');
  return unit ? `${shown} ${unit}` : shown;
}

/** @param focusM distance asked for, null for none */
export function focusLines(figures: FocusFigures, focusM: number | null): FigureLine[] {
  const { nearM, farM } = figures;
  const band = `± ${figure(figures.sharpBandUm, 'µm')}`;
  return [
    ['Focused on the stars, sharp from', figure(figures.nearestM, 'm')],
    ['Hyperfocal distance', figure(figures.hyperfocalM, 'm')],
    ['Focused there, sharp from', figure(figures.nearestHyperfocalM, 'm')],
    ...(nearM === null || farM === null
      ? []
      : [[`Focused at ${figure(focusM!, 'm')}, sharp`, `${figure(nearM, 'm')} to ${figure(farM, 'm')}`] as const]),
    ['Depth of focus', `± ${figure(figures.depthOfFocusUm, 'µm')}`],
    ['Passes as sharp', figures.limit === 'blur' ? band : `${band}: diffraction blurs more than you let pass`],
    ['Disc of diffraction', figure(figures.airyPx, 'px')],
  ];
}

export function trailLines(figures: TrailFigures): FigureLine[] {
  return [
    ['Longest exposure', figure(figures.longestExposureS, 's')],
    ['Trail in a second', figure(figures.pxPerS, 'px')],
  ];
}

export function skyLines(figures: SkyFigures): FigureLine[] {
  const { stopsBelowGrey } = figures;
  const grey = `${figure(Math.abs(stopsBelowGrey), 'stops')} ${stopsBelowGrey < 0 ? 'above' : 'below'} middle grey`;
  return [
    ['Sky limits from', figure(figures.skyLimitedS, 's')],
    ['Sky in a pixel', figure(figures.skyE, 'electrons')],
    ['Its noise', `${figure(figures.noiseRatio, '×')} the read noise`],
    ['Sky in the picture', `${figure(figures.levelPercent, '%')} of white, ${grey}`],
    ['EV of the sky, as set', `${figure(figures.skyEv, '')}, ${figure(figures.settingsEv, '')} (ISO 100)`],
  ];
}

export function offsetLines(figures: OffsetFigures): FigureLine[] {
  const { focusedAtM, marks, marksSigma } = figures;
  return [
    ['Blur of a star', figure(figures.blurPx, 'px')],
    ['Depths of focus away', figure(figures.depthsOfFocus, '')],
    ['In focus is', focusedAtM === null ? 'nothing: past ∞' : figure(focusedAtM, 'm')],
    ['On the ring', marks === null ? 'not known: no calibration with marks' : `${marksText(marks, marksSigma!)} marks`],
  ];
}

export const SUN_CAUTION = 'Never point lens, mask or live view at or near the Sun.';

/** What to think of before walking out into the dark; on the screen and on paper. */
export const FIELD_CARD = {
  title: 'Before you go out',
  first: 'Local rules, wardens and licensed guides come before anything written here.',
  points: [
    ['Weather', 'Read the forecast for the night and the height; turn back while it is easy.'],
    ['Footing', 'Walk the ground by daylight. Know where edges, water and loose rock are; tide times at the shore.'],
    ['Access', 'Only where you may be at night. Ask the owner; leave gates and plants as they are.'],
    ['Animals', 'Keep food shut and your distance; a red lamp disturbs least.'],
    ['Cold', 'Batteries fail first: keep spares in an inner pocket, and hands and feet warm.'],
    ['Others', 'Tell someone where you are and when you will be back. Charge the phone, take a second lamp.'],
  ],
};

/** What an entry says of focus. */
export const ENTRY_VERDICTS: Record<Entry['verdict'], string> = {
  'in-focus': 'in focus',
  'out-of-focus': 'out of focus',
  'not-measured': 'not measured',
};
