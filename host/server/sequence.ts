import type { ConfigWrite } from '../../core/camera/config.ts';
import { CameraError } from '../cameras/source.ts';

/**
 * Writes to a camera one after the other, as a move of the focus motor asks for. It breaks off between
 * two writes when told to, and when whoever asked is gone: a page that is closed, reloaded or cut off
 * moves nothing any more.
 */
export class Sequence {
  #running: AbortController | null = null;

  /**
   * @param gone aborted when nobody waits for the answer
   * @returns how many were written
   * @throws CameraError of a write that failed; code 'busy' while another sequence runs
   */
  async run(
    write: (name: string, value: string) => Promise<void>,
    writes: readonly ConfigWrite[],
    gone: AbortSignal,
  ): Promise<number> {
    if (this.#running) throw new CameraError('busy', 'the camera is being driven already; stop that first');
    const stopped = new AbortController();
    this.#running = stopped;
    let done = 0;
    try {
      for (const { name, value } of writes) {
        if (gone.aborted || stopped.signal.aborted) break;
        await write(name, value);
        done++;
      }
      return done;
    } finally {
      this.#running = null;
    }
  }

  stop(): void {
    this.#running?.abort();
  }
}
