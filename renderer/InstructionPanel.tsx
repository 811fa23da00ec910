import { instructionWords } from '../core/strings.ts';
import { Sign } from './Sign.tsx';
import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

/** The one thing to do now, for eyes two or three metres away. */
export function InstructionPanel() {
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
    </section>
  );
}
