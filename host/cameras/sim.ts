import { once } from 'node:events';
import { readFile } from 'node:fs/promises';
import { setTimeout as sleep } from 'node:timers/promises';
import { Worker } from 'node:worker_threads';
import sharp from 'sharp';
import type { Frame, PixelImage } from '../../core/frame.ts';
import type { Scenario } from '../../core/simulator/scenario.ts';
import { SimulatedWorld, type WorldFrame } from '../../core/simulator/world.ts';
import { SimulatedBody } from './sim-body.ts';
import type { TableMessage } from './sim-tables.ts';
import { CameraError, type CameraSource, type ConfigValue } from './source.ts';

const FRAME_MS = 1000 / 30;
/** Steps that the focus motor takes at once. */
const MOST_STEPS = 2000;

/** The simulated camera on the demo evening. Its config values are the world: ring, focal length, temperature. */
export async function openSim(): Promise<CameraSource> {
  const scenario = await readFile(new URL('../../samples/scenario.json', import.meta.url), 'utf8');
  return new SimSource(JSON.parse(scenario));
}

class SimSource implements CameraSource {
  readonly name = 'sim';
  /** As it is set. */
  readonly #world: SimulatedWorld;
  /** As its frames show it: it follows as soon as the patterns for the setting are computed. */
  readonly #shown: SimulatedWorld;
  readonly #body: SimulatedBody;
  readonly #tables: Worker;
  #computing = false;
  #sequence = 0;
  #stills = 0;
  #maskOn = true;
  #closed = false;

  constructor(scenario: Scenario) {
    this.#world = new SimulatedWorld(scenario);
    this.#shown = new SimulatedWorld(scenario);
    this.#body = new SimulatedBody(scenario);
    this.#tables = new Worker(new URL('./sim-tables.ts', import.meta.url), { workerData: scenario });
    this.#tables.on('message', ({ key, table }: TableMessage) => {
      this.#shown.keep(key, table);
      this.#computing = false;
      this.#follow();
    });
  }

  async start(...[onFrame, onEnd]: Parameters<CameraSource['start']>): Promise<void> {
    const fail = (error: Error) => onEnd(new CameraError('other', `the simulation failed: ${error.message}`));
    this.#tables.on('error', fail);
    const run = async () => {
      let image: PixelImage | undefined;
      for (let dueMs = performance.now(); !this.#closed; ) {
        const nowMs = performance.now();
        this.#world.passTo(nowMs);
        this.#follow();
        const sequence = this.#sequence++;
        const frame = this.#shown.frame(nowMs, image);
        ({ image } = frame);
        onFrame(await this.#encode(frame, sequence, `live-${sequence}.jpg`));
        // A late frame does not make the next ones come faster.
        dueMs = Math.max(dueMs + FRAME_MS, performance.now());
        await sleep(Math.max(0, dueMs - performance.now()));
      }
    };
    run().catch(fail);
  }

  /** Shows the world as it is set if its patterns are there, and has the next missing one computed. */
  #follow(): void {
    const [next] = this.#shown.missing(this.#world, true);
    if (this.#shown.missing(this.#world).length === 0) this.#shown.follow(this.#world);
    if (this.#computing || !next) return;
    this.#computing = true;
    this.#tables.postMessage(next);
  }

  async readConfig(): Promise<ConfigValue[]> {
    const { scenario, ring, focalMm, temperatureC, magnification } = this.#world;
    const { lens, camera } = scenario;
    const choice = (values: number[]) => ({ type: 'choice', readOnly: false, choices: values.map(String) }) as const;
    const range = (min: number, max: number, step: number) =>
      ({ type: 'range', readOnly: false, range: { min, max, step } }) as const;
    return [
      { name: 'ring', label: 'Focus ring, marks', value: String(ring), ...range(lens.ringMin, lens.ringMax, 0.01) },
      {
        name: 'focalMm',
        label: 'Focal length, mm',
        value: String(focalMm),
        ...choice(lens.settings.map((setting) => setting.focalMm)),
      },
      { name: 'temperatureC', label: 'Temperature, °C', value: temperatureC.toFixed(2), ...range(-40, 50, 0.1) },
      {
        name: 'magnification',
        label: 'Live-view magnification',
        value: String(magnification),
        ...choice(camera.magnifications),
      },
      {
        name: 'mask',
        label: 'Mask in test shots',
        type: 'choice',
        value: this.#maskOn ? 'On' : 'Off',
        readOnly: false,
        choices: ['On', 'Off'],
      },
      { name: 'fNumber', label: 'f-number', type: 'text', value: String(lens.fNumber), readOnly: true },
      { name: 'lensName', label: 'Lens', type: 'text', value: lens.name, readOnly: true },
      { name: 'focusMotor', label: 'Focus motor, steps', value: '0', ...range(-MOST_STEPS, MOST_STEPS, 1) },
      ...this.#body.readConfig(Date.now()),
    ];
  }

  async writeConfig(name: string, value: string): Promise<void> {
    const config = (await this.readConfig()).find((known) => known.name === name);
    if (!config || config.readOnly)
      throw new CameraError('refused', `the simulated camera has no setting "${name}" to change`);
    const number = value.trim() === '' ? Number.NaN : Number(value);
    const { choices, range } = config;
    if (choices && !choices.includes(value) && !choices.includes(String(number)))
      throw new CameraError('refused', `${name} must be one of ${choices.join(', ')}`);
    if (range && !(number >= range.min && number <= range.max))
      throw new CameraError('refused', `${name} must be a number from ${range.min} to ${range.max}`);
    if (config.type === 'date' && !(number > 0))
      throw new CameraError('refused', `${name} must be a number of seconds since 1970`);
    if (this.#body.set(name, value, Date.now())) return;
    if (name === 'mask') {
      this.#maskOn = value === 'On';
      return;
    }
    if (name === 'focusMotor') return this.#drive(Math.round(number));
    this.#world[name as 'ring' | 'focalMm' | 'temperatureC' | 'magnification'] = number;
  }

  /** The motor turns the ring; it is done when the pictures show it. */
  async #drive(steps: number): Promise<void> {
    const world = this.#world;
    const wanted = world.ring + steps / world.scenario.lens.motorStepsPerMark;
    world.ring = wanted;
    while (this.#shown.ring !== world.ring && !this.#closed) await sleep(FRAME_MS);
    if (Math.abs(world.ring - wanted) > 1e-9) throw new CameraError('at-limit', 'the focus motor is at its end');
  }

  async capture(): Promise<Frame> {
    const { scenario } = this.#world;
    const scene = this.#world.stillScene(performance.now(), this.#maskOn);
    const thread = new Worker(new URL('./sim-still.ts', import.meta.url), { workerData: { scene, scenario } });
    const [image] = (await once(thread, 'message')) as [PixelImage];
    const exposureS = this.#maskOn ? null : scenario.camera.stillS;
    const mode = { kind: 'still', magnification: null, pixelUm: scene.pixelUm, exposureS } as const;
    return this.#encode({ image, mode }, this.#sequence++, `still-${++this.#stills}.jpg`);
  }

  async close(): Promise<void> {
    this.#closed = true;
    await this.#tables.terminate();
  }

  async #encode({ image, mode }: Pick<WorldFrame, 'image' | 'mode'>, sequence: number, name: string): Promise<Frame> {
    const timeUtc = new Date().toISOString();
    const { widthPx: width, heightPx: height, channels, data } = image;
    const bytes = await sharp(data, { raw: { width, height, channels } })
      // As a camera does: fixed code tables, one pass.
      .jpeg({ quality: this.#world.scenario.camera.jpegQuality, optimiseCoding: false })
      .toBuffer();
    return { sequence, timeUtc, bytes, name, mode };
  }
}
