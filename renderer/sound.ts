import { useEffect } from 'react';
import type { Session, SessionState } from './session.ts';

/**
 * A soft tone that tells closeness without looking: short beats that quicken towards focus, one
 * steady tone inside the depth of focus, silence when there is nothing to say.
 */
class Tone {
  #context = new AudioContext();
  #timer: ReturnType<typeof setTimeout> | undefined;
  #next: { pauseS: number; hz: number } | null = null;

  /** Browsers let sound start only after a key press or click; until then this is silent. */
  start(): void {
    void this.#context.resume();
    this.#beat();
  }

  close(): void {
    clearTimeout(this.#timer);
    void this.#context.close();
  }

  /** @param closeness distance from focus in depths of focus (1 = edge of the band), null for silence */
  set(closeness: number | null): void {
    if (closeness === null) this.#next = null;
    else if (closeness <= 1) this.#next = { pauseS: 0, hz: 660 };
    else this.#next = { pauseS: Math.min(1.2, 0.1 + 0.12 * Math.log2(closeness)), hz: 330 };
  }

  #beat(): void {
    const context = this.#context;
    const lengthS = 0.12;
    if (this.#next) {
      const oscillator = new OscillatorNode(context, { frequency: this.#next.hz });
      const gain = new GainNode(context, { gain: 0 });
      const now = context.currentTime;
      // Ramps, not steps: no clicks.
      gain.gain.linearRampToValueAtTime(0.08, now + 0.02);
      gain.gain.setValueAtTime(0.08, now + lengthS - 0.02);
      gain.gain.linearRampToValueAtTime(0, now + lengthS);
      oscillator.connect(gain).connect(context.destination);
      oscillator.start(now);
      oscillator.stop(now + lengthS);
    }
    this.#timer = setTimeout(() => this.#beat(), (lengthS + (this.#next?.pauseS ?? 0.2)) * 1000);
  }
}

/** Distance from focus in depths of focus, null when there is nothing to tell. */
function closenessOf({ instruction }: SessionState): number | null {
  if (!('aim' in instruction)) return null;
  return Math.abs(instruction.aim.offsetPx) / instruction.aim.tolerancePx;
}

/** Sounds the tone while `on`. */
export function useTone(session: Session | null, on: boolean): void {
  useEffect(() => {
    if (!session || !on) return;
    const tone = new Tone();
    tone.start();
    const off = session.subscribe(() => tone.set(closenessOf(session.state)));
    return () => {
      off();
      tone.close();
    };
  }, [session, on]);
}
