import type { ConfigValue } from '../../core/camera/config.ts';
import type { Scenario } from '../../core/simulator/scenario.ts';

/** Settings of the simulated camera's body that do not show in its pictures, as an evening may find them. */
export class SimulatedBody {
  readonly #values = new Map<string, string>();
  #clockAheadS: number;

  constructor({ camera }: Scenario) {
    const { clockAheadS, ...values } = camera.body;
    for (const [name, value] of Object.entries(values)) this.#values.set(name, value);
    this.#clockAheadS = clockAheadS;
  }

  readConfig(nowMs: number): ConfigValue[] {
    const choice = (name: string, label: string, choices: string[]): ConfigValue => ({
      name,
      label,
      type: 'choice',
      value: this.#values.get(name)!,
      readOnly: false,
      choices,
    });
    const clock = String(Math.round(nowMs / 1000) + this.#clockAheadS);
    return [
      choice('focusMode', 'Focus mode', ['Manual', 'Automatic']),
      choice('stabilisation', 'Stabilisation', ['Off', 'On']),
      choice('exposureMode', 'Exposure mode', ['M', 'A', 'S', 'P']),
      choice('iso', 'Sensitivity, ISO', ['Auto', '800', '1600', '3200', '6400']),
      choice('shutter', 'Exposure time', ['1/4', '1/2', '1', '2', '5', '10', '20', 'Bulb']),
      choice('card', 'Pictures go to', ['Computer', 'Memory card']),
      { name: 'battery', label: 'Battery', type: 'text', value: this.#values.get('battery')!, readOnly: true },
      { name: 'clock', label: 'Clock', type: 'date', value: clock, readOnly: false },
    ];
  }

  /** Takes a value that readConfig() offers; false when it is none of this body's settings. */
  set(name: string, value: string, nowMs: number): boolean {
    if (name === 'clock') this.#clockAheadS = Math.round(Number(value) - nowMs / 1000);
    else if (this.#values.has(name)) this.#values.set(name, value);
    else return false;
    return true;
  }
}
