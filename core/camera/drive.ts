/** The focus motor as the dialects of camera bodies offer it. */
import type { ConfigValue, ConfigWrite } from './config.ts';

/** One command to the motor: `count` times a step of one size, to one side. */
export interface Move {
  /** 1 and −1: the two sides; which of them is towards ∞ is found by trying. */
  side: 1 | -1;
  /** Index into FocusDrive.sizes. */
  size: number;
  count: number;
}

export interface StepSize {
  /** Length in the smallest steps, as far as known; true lengths are learned. */
  nominal: number;
  /** Most of them in one command. */
  most: number;
}

export interface FocusDrive {
  /** From the smallest to the largest. */
  sizes: readonly StepSize[];
  /** A first try that moves little, and how far it may go from there when the user says nothing, smallest steps. */
  firstSteps: number;
  travelSteps: number;
  /** What to write, in this order; each write is a small part, so that a stop can come between. */
  writes(move: Move): ConfigWrite[];
}

/** Steps in one write: few enough that it is done within about a second (common practice, no source). */
const STEPS_AT_ONCE = 200;
/** Presses of one size in one command. */
const MOST_PRESSES = 8;
/** A range up to this counts sizes of step, a larger one counts steps. */
const LARGEST_SIZE = 10;
/** Nominal lengths of near/far steps 1, 2, 3; where they differ, learned. */
const NOMINAL = [1, 5, 20];

/**
 * How a configuration value moves the motor; null when it is of no form that is known. Forms: a signed
 * count of steps; signed sizes of step (−7 … 7); near and far steps of two or three sizes.
 */
export function focusDrive({ name, type, range, choices, readOnly }: ConfigValue): FocusDrive | null {
  if (readOnly) return null;
  if (type === 'range' && range && range.min < 0 && range.max > 0) {
    const largest = Math.floor(Math.min(-range.min, range.max));
    if (largest > LARGEST_SIZE) return countedSteps(name, largest);
    const sizes = [...new Set([1, Math.ceil(largest / 2), largest])];
    return sizedSteps(name, sizes, (size, side) => String(side * size));
  }
  if (type !== 'choice' || !choices) return null;
  const sizes = [1, 2, 3].filter((size) => choices.includes(`Near ${size}`) && choices.includes(`Far ${size}`));
  return sizes.length > 0 ? sizedSteps(name, NOMINAL.slice(0, sizes.length), sayNearFar) : null;

  function sayNearFar(_length: number, side: 1 | -1, index: number): string {
    return `${side > 0 ? 'Far' : 'Near'} ${sizes[index]}`;
  }
}

function countedSteps(name: string, most: number): FocusDrive {
  return {
    sizes: [{ nominal: 1, most: Math.min(most, 10 * STEPS_AT_ONCE) }],
    firstSteps: 8,
    travelSteps: 4000,
    writes({ side, count }) {
      const parts = Array.from({ length: Math.ceil(count / STEPS_AT_ONCE) }, (_, i) =>
        Math.min(STEPS_AT_ONCE, count - i * STEPS_AT_ONCE),
      );
      return parts.map((steps) => ({ name, value: String(side * steps) }));
    },
  };
}

function sizedSteps(
  name: string,
  lengths: readonly number[],
  say: (length: number, side: 1 | -1, index: number) => string,
): FocusDrive {
  return {
    sizes: lengths.map((nominal) => ({ nominal, most: MOST_PRESSES })),
    firstSteps: 1,
    travelSteps: 800,
    writes: ({ side, size, count }) =>
      Array.from({ length: count }, () => ({ name, value: say(lengths[size], side, size) })),
  };
}
