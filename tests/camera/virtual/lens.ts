/**
 * A lens's focus motor with backlash: when it turns back, its gears cross their play before the lens follows
 * (the play operator of hysteresis models). Steps count from where the lens stood at the start.
 */
export class LensMotor {
  readonly #playSteps: number;
  readonly #limitSteps: number;
  #motor = 0;
  #lens = 0;

  /** @param playSteps steps lost at each change of direction @param limitSteps where the motor ends, either way */
  constructor({ playSteps = 0, limitSteps = 20_000 } = {}) {
    this.#playSteps = playSteps;
    this.#limitSteps = limitSteps;
  }

  /** Where the lens stands; this is what the picture shows. No host can read it. */
  get lensSteps(): number {
    return this.#lens;
  }

  /** Turns the motor; false when it came to its end before. */
  drive(steps: number): boolean {
    const wanted = this.#motor + steps;
    this.#motor = Math.max(-this.#limitSteps, Math.min(this.#limitSteps, wanted));
    this.#lens = Math.max(this.#motor - this.#playSteps / 2, Math.min(this.#motor + this.#playSteps / 2, this.#lens));
    return this.#motor === wanted;
  }
}
