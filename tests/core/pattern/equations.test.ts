/** The fit's derivatives, against finite differences of the model itself. */
import { expect, test } from 'vitest';
import { REFERENCE_WAVELENGTH_UM } from '../../../core/optics/formulas.ts';
import { DEFAULT_MASK } from '../../../core/optics/mask.ts';
import { findCandidates } from '../../../core/pattern/candidates.ts';
import { ACROSS, forEachRow, OUTER_ANGLE } from '../../../core/pattern/equations.ts';
import { FINE, fitLines } from '../../../core/pattern/fit.ts';
import { type Lines, offsetOf, widthOf } from '../../../core/pattern/lines.ts';
import { buildProfiles, type Model, startModel } from '../../../core/pattern/model.ts';
import { Pyramid } from '../../../core/pattern/pyramid.ts';
import { findRough } from '../../../core/pattern/rough.ts';
import { collectSamples, type Samples } from '../../../core/pattern/samples.ts';
import { evaluate, modelLight } from '../../../core/pattern/terms.ts';
import { frameOf, scene } from './support.ts';

/** Defocus of four times λN², either way. */
const { fNumber, pixelUm } = scene();
const farUm = 4 * REFERENCE_WAVELENGTH_UM * fNumber ** 2;

/** A model of a simulated frame, fitted, with its mask known. */
function fittedModel(dzUm: number): { samples: Samples; model: Model } {
  const drawn = scene({ dzUm, mask: { ...DEFAULT_MASK, handedness: 1 } });
  const image = frameOf(drawn);
  const levels = new Pyramid().build(image);
  const [star] = findCandidates(levels);
  const [rough] = findRough(levels, star, 150);
  const samples = collectSamples(image, rough, { blockPx: 1, halfWidthPx: 12, brightness: true, mosaic: null })!;
  const known = {
    shape: { layout: 'half', handedness: 1, ribD: 0 } as const,
    isTold: true,
    airyPx: (REFERENCE_WAVELENGTH_UM * fNumber) / pixelUm,
  };
  const { lines } = fitLines(samples, rough, known, FINE)!;
  return { samples, model: startModel(samples, rough, known, FINE, lines) };
}

/** What the model says with other lines, its defocus following them. */
function lightWith(samples: Samples, model: Model, lines: Lines): Float64Array {
  const changed = { ...model, lines, offset: offsetOf(lines) };
  buildProfiles(changed);
  evaluate(samples, changed);
  return modelLight(samples, changed).slice();
}

/** Root mean square by which the derivative by a parameter misses the finite difference, over that difference's own. */
function missOf(
  samples: Samples,
  model: Model,
  parameter: number,
  change: (lines: Lines, by: number) => Lines,
): number {
  const step = 0.02 * widthOf(model.lines) * (parameter === OUTER_ANGLE ? 1 / model.distancePx : 1);
  const [more, less] = [step, -step].map((by) => lightWith(samples, model, change(model.lines, by)));
  lightWith(samples, model, model.lines);
  let [missed, all] = [0, 0];
  forEachRow(samples, model, ({ geometry, active }, i) => {
    if (!active.includes(parameter)) return;
    const difference = (more[i] - less[i]) / (2 * step);
    missed += (geometry[parameter] - difference) ** 2;
    all += difference ** 2;
  });
  return Math.sqrt(missed / all);
}

test.each([farUm, -farUm])('out of focus by %d µm a half’s shape tells of the offset, as the model says', (dzUm) => {
  const { samples, model } = fittedModel(dzUm);
  const misses = (of: Model) => [
    ...[0, 1, 2].map((zone) =>
      missOf(samples, of, ACROSS + zone, (lines, by) => ({
        ...lines,
        across: lines.across.map((place, k) => (k === zone ? place + by : place)),
      })),
    ),
    missOf(samples, of, OUTER_ANGLE, (lines, by) => ({ ...lines, outer: lines.outer + by })),
  ];
  // Tables of profiles, linear between their places, leave 3 %.
  for (const miss of misses(model)) expect(miss).toBeLessThan(0.045);
  // Taken for a mere shift of the middle line, its light would be foretold far worse.
  expect(misses({ ...model, byOffset: null })[0]).toBeGreaterThan(0.05);
});

test('near focus the shape tells next to nothing of the offset, and is not asked', () => {
  expect(fittedModel(0).model.byOffset).toBeNull();
});
