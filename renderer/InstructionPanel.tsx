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
      {words.amount && <p className="amount">{words.amount}</p>}
      <p className="detail">{words.detail}</p>
    </section>
  );
}
