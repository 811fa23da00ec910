import { readFileSync } from 'node:fs';
import { expect, it } from 'vitest';
import { type Calibration, calibrate } from '../../../core/guide/calibrate.ts';
import { guide, type Instruction } from '../../../core/guide/guide.ts';
import type { Optics } from '../../../core/measurement.ts';
import { LiveMeasurer } from '../../../core/pattern/live.ts';
import type { Scenario } from '../../../core/simulator/scenario.ts';
import { SimulatedWorld } from '../../../core/simulator/world.ts';
import { Tracker } from '../../../core/track/track.ts';

/** Frames a second: few, since every one is a computed picture, measured. */
const FPS = 10;

it('leads a hand from out of focus to written down, on the simulator’s pictures', { timeout: 300_000 }, async () => {
  const scenario: Scenario = JSON.parse(readFileSync('samples/scenario.json', 'utf8'));
  const { lens, camera } = scenario;
  const world = new SimulatedWorld(scenario, 3);
  world.magnification = Math.max(...camera.magnifications);
  const optics: Optics = {
    focalMm: lens.settings[0].focalMm,
    fNumber: lens.fNumber,
    pixelUm: world.pixelUm,
    mask: { ...scenario.mask, orientation: null },
  };
  const live = new LiveMeasurer();
  const tracker = new Tracker();
  const shown: Instruction[] = [];
  let calibration: Calibration | null = null;
  let timeMs = 0;
  const run = (seconds: number, marksPerS: () => number) => {
    for (let i = 0; i < seconds * FPS && shown.at(-1)?.kind !== 'write-it-down'; i++) {
      timeMs += 1000 / FPS;
      world.ring += marksPerS() / FPS;
      const track = tracker.push(timeMs, live.measure(world.frame(timeMs).image, optics));
      shown.push(guide(track, optics, calibration, {}, shown.at(-1) ?? null));
    }
  };
  const rest = () => 0;
  /** A hand that does what it read 0.4 s ago, the faster the further there is to go. */
  const obey = () => {
    const read = shown[shown.length - Math.round(0.4 * FPS)];
    if (!('direction' in read) || read.direction === null) return 0;
    const speed = read.kind === 'slow-down' ? 0.2 : Math.min(1, read.aim.distanceMarks!);
    return read.direction === 'clockwise' ? speed : -speed;
  };

  run(2.5, rest);
  expect(shown.at(-1)).toMatchObject({ kind: 'distance', aim: { focused: null } });
  const start = tracker.track;
  const before = world.ring;
  run(1, () => 0.5);
  run(2.5, rest);
  // Higher marks: the sensor moves back against the star's focus, as for nearer things.
  expect(lens.settings[0].umPerMark).toBeGreaterThan(0);
  const marks = { before, after: world.ring };
  const answer = { turned: 'clockwise', marks, markSigma: 0.02, towards: 'near' } as const;
  const result = calibrate(start, tracker.track, answer, optics);
  if (result.status === 'refused') throw new Error(result.why);
  calibration = result.calibration;
  // The scenario's mask sits as drawn; the backlash takes up some of the turn.
  expect(calibration.orientation).toBe(scenario.mask.orientation);

  run(1, rest);
  const turn = shown.at(-1)!;
  expect(turn).toMatchObject({ kind: 'turn', direction: 'clockwise', aim: { focused: 'behind' } });
  if (turn.kind !== 'turn') return;
  expect(Math.abs(turn.aim.distanceUm! - Math.abs(world.dzUm))).toBeLessThan(3 * turn.aim.distanceSigmaUm!);
  run(40, obey);
  expect(shown.at(-1)!.kind, shown.map(({ kind }) => kind).join()).toBe('write-it-down');
  for (const kind of ['stop', 'in-focus'] as const)
    expect(
      shown.some((instruction) => instruction.kind === kind),
      kind,
    ).toBe(true);
  // Quarter-wave depth of focus, 2 λ N² (Born & Wolf §8.8), against the hidden truth.
  expect(Math.abs(world.dzUm)).toBeLessThan(2 * 0.55 * lens.fNumber ** 2);
});
