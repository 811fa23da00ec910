import type { Frame } from '../../core/frame.ts';

/** Holds the latest frame until it is asked for; an older one gives way and is counted as dropped. */
export class Mailbox {
  dropped = 0;
  #waiting: { frame: Frame; done: () => void } | null = null;
  #wanted = false;
  readonly #deliver: (frame: Frame) => void;

  constructor(deliver: (frame: Frame) => void) {
    this.#deliver = deliver;
  }

  /** Settles when the frame is delivered or has given way. */
  put(frame: Frame): Promise<void> {
    if (this.#waiting) this.dropped++;
    this.#waiting?.done();
    return new Promise((done) => {
      this.#waiting = { frame, done };
      this.#pass();
    });
  }

  /** Asks for one frame. */
  next(): void {
    this.#wanted = true;
    this.#pass();
  }

  #pass(): void {
    if (!this.#wanted || !this.#waiting) return;
    const { frame, done } = this.#waiting;
    this.#wanted = false;
    this.#waiting = null;
    this.#deliver(frame);
    done();
  }
}
