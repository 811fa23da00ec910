import type { Instruction } from '../core/guide/guide.ts';
import { instructionWords } from '../core/strings.ts';
import { Sign } from './Sign.tsx';
import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

/** Instructions whose way out may be a larger live view. */
function asksToMagnify(instruction: Instruction): boolean {
  return instruction.kind === 'magnify' || (instruction.kind === 'no-pattern' && instruction.reason === 'no-spots');
}

/** The one thing to do now, for eyes two or three metres away. */
export function InstructionPanel({ onMagnify }: { onMagnify?: () => void }) {
  const instruction = useSessionState((state) => state.instruction);
  const words = instructionWords(instruction);
  return (
    <section className="panel instruction" aria-label={strings.instruction.label} data-kind={instruction.kind}>
      <Sign {...instruction} />
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
