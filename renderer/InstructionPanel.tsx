import type { Direction } from '../core/guide/calibrate.ts';
import type { Instruction } from '../core/guide/guide.ts';
import type { ReasonCode } from '../core/measurement.ts';
import { instructionWords } from '../core/strings.ts';
import { Sign } from './Sign.tsx';
import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

/** Reasons whose cure may be a larger live view. */
const MAYBE_TOO_SMALL: readonly (ReasonCode | null)[] = ['no-spots', 'pair-missing', 'too-dim'];

function asksToMagnify(instruction: Instruction): boolean {
  if (instruction.kind === 'no-pattern') return MAYBE_TOO_SMALL.includes(instruction.reason);
  return instruction.kind === 'magnify';
}

function directionOf(instruction: Instruction): Direction | null {
  if (instruction.kind === 'no-pattern') return (instruction.reason === 'too-far' && instruction.back) || null;
  return 'direction' in instruction ? instruction.direction : null;
}

/** The one thing to do now, for eyes two or three metres away. */
export function InstructionPanel({ onMagnify }: { onMagnify?: () => void }) {
  const instruction = useSessionState((state) => state.instruction);
  const words = instructionWords(instruction);
  return (
    <section className="panel instruction" aria-label={strings.instruction.label} data-kind={instruction.kind}>
      <Sign kind={instruction.kind} direction={directionOf(instruction)} />
      <p className="headline" role="status">
        {words.headline}
      </p>
      <p className="amount">
        {words.amount.split(' · ').map((part) => (
          <span key={part}>{part}</span>
        ))}
      </p>
      <p className="detail">{words.detail}</p>
      {onMagnify && asksToMagnify(instruction) && (
        <button type="button" onClick={onMagnify}>
          <kbd>M</kbd> {strings.controls.magnify}
        </button>
      )}
    </section>
  );
}
