import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { KitLens } from '../../../core/kit/kit.ts';
import { LENS_PRESETS } from '../../../core/kit/presets.ts';
import { type EntryDraft, makeEntry } from '../../../core/notebook/entry.ts';
import { ringMemory } from '../../../core/notebook/memory.ts';
import { RingModel, type RingPoint, ringPriors } from '../../../core/notebook/ring.ts';
import { type Random, seededRandom } from '../../../core/simulator/random.ts';

const SPAN = 10;
const PRIORS = ringPriors(SPAN);
const point = (position: number, change: Partial<RingPoint> = {}): RingPoint => ({
  id: crypto.randomUUID(),
  position,
  focalMm: 24,
  temperatureC: 8,
  approach: null,
  ...change,
});

/** An invented zoom lens, not built like the model: a parabola over the octaves, its own slope, slack and noise. */
function drawLens(random: Random) {
  const zoom = SPAN * 10 ** (-2 + random.uniform());
  const [tilt, bend] = [random.gauss(), random.gauss()];
  const slope = SPAN * 0.006 * (2 * random.uniform() - 1);
  const slopePerOctave = 0.3 * slope * random.gauss();
  const half = SPAN * 0.01 * random.uniform();
  const noise = SPAN * (0.006 + 0.02 * random.uniform());
  return (share: { misread: number }) => {
    const focalMm = [14, 24, 50][Math.floor(3 * random.uniform())];
    const temperatureC = 4 + 6 * random.gauss();
    const approach = random.uniform() < 0.75 ? 1 : -1;
    const octaves = Math.log2(focalMm / 24);
    const misread = random.uniform() < share.misread;
    const wrong = misread ? SPAN * (0.08 + 0.15 * random.uniform()) * (random.uniform() < 0.5 ? -1 : 1) : 0;
    const position =
      6 +
      zoom * ((tilt * octaves) / 1.2 + 0.3 * bend * octaves ** 2) +
      (slope + slopePerOctave * octaves) * (temperatureC - 8) +
      half * approach +
      noise * random.gauss() +
      wrong;
    return { ...point(position, { focalMm, temperatureC, approach }), misread };
  };
}

/** What is not always written down. */
function asWritten(random: Random, { misread, ...known }: RingPoint & { misread: boolean }): RingPoint {
  return {
    ...known,
    temperatureC: random.uniform() < 0.1 ? null : known.temperatureC,
    approach: random.uniform() < 0.4 ? null : known.approach,
  };
}

describe('the 95 % interval', () => {
  const TRIALS = 300;
  // Three standard deviations of a share of 0.95 in 300 trials are 0.038; being a little too wide is no harm.
  it.each([1, 2, 4, 8, 24])('holds the next reading after %d entries', (count) => {
    for (const misread of [0, 0.05]) {
      const random = seededRandom(100 * count + 100 * misread);
      let held = 0;
      for (let trial = 0; trial < TRIALS; trial++) {
        const read = drawLens(random);
        const model = new RingModel(
          Array.from({ length: count }, () => asWritten(random, read({ misread }))),
          PRIORS,
        );
        const { position, focalMm, temperatureC } = read({ misread: 0 });
        const { low95, high95 } = model.predict({ focalMm, temperatureC });
        if (position >= low95 && position <= high95) held++;
      }
      // One entry, itself misread one time in twenty, cannot be known to be wrong.
      expect(held / TRIALS).toBeGreaterThan(count === 1 && misread > 0 ? 0.89 : 0.912);
      expect(held / TRIALS).toBeLessThan(0.995);
    }
  });

  it('tightens with more entries', () => {
    const random = seededRandom(5);
    const widths = [1, 4, 16, 64].map((count) => {
      let sum = 0;
      for (let trial = 0; trial < 40; trial++) {
        const read = drawLens(random);
        const model = new RingModel(
          Array.from({ length: count }, () => asWritten(random, read({ misread: 0 }))),
          PRIORS,
        );
        sum += model.predict({ focalMm: 24, temperatureC: 0 }).sigma;
      }
      return sum;
    });
    expect(widths).toEqual(widths.toSorted((a, b) => b - a));
    expect(widths[3]).toBeLessThan(widths[0] / 2);
  });
});

describe('what is known of an entry, and what is not', () => {
  it('one entry predicts itself; elsewhere with less certainty', () => {
    const model = new RingModel([point(6.4)], PRIORS);
    const here = model.predict({ focalMm: 24, temperatureC: 8 });
    expect(here.position).toBeCloseTo(6.4, 9);
    expect(here.sigma).toBeLessThan(0.3);
    const sigmas = [
      here,
      model.predict({ focalMm: 24, temperatureC: -10 }),
      model.predict({ focalMm: 50, temperatureC: -10 }),
      model.predict({ focalMm: null, temperatureC: -10 }),
    ].map(({ sigma }) => sigma);
    expect(sigmas).toEqual(sigmas.toSorted((a, b) => a - b));
  });

  it('learns the backlash from which side focus was approached', () => {
    const random = seededRandom(3);
    const points = Array.from({ length: 40 }, (_, i) => {
      const approach = i % 2 ? 1 : -1;
      return point(6.4 + 0.08 * approach + 0.05 * random.gauss(), { approach });
    });
    const model = new RingModel(points, PRIORS);
    const { value, sigma } = model.backlash();
    expect(Math.abs(value - 0.16)).toBeLessThan(3 * sigma);
    expect(sigma).toBeLessThan(0.05);
    const at = (approach: 1 | -1) => model.predict({ focalMm: 24, temperatureC: 8, approach }).position;
    expect(at(1) - at(-1)).toBeCloseTo(value, 9);
  });

  it('of two entries that disagree neither is called bad; of many the one that is off', () => {
    const badOf = (points: RingPoint[]) => new RingModel(points, PRIORS).residuals.map(({ bad }) => bad);
    expect(badOf([point(6.4), point(4.6)])).toEqual([false, false]);
    expect(badOf([6.4, 6.45, 4.6, 6.38, 6.5].map((position) => point(position)))).toEqual([
      false,
      false,
      true,
      false,
      false,
    ]);
  });

  it('needs an entry', () => {
    expect(() => new RingModel([], PRIORS)).toThrow(RangeError);
  });
});

describe('properties', () => {
  const anyPoints = fc.array(
    fc.record({
      position: fc.double({ min: 4, max: 8, noNaN: true }),
      focalMm: fc.constantFrom(null, 14, 24, 50),
      temperatureC: fc.option(fc.double({ min: -20, max: 25, noNaN: true }), { nil: null }),
      approach: fc.constantFrom(null, 1 as const, -1 as const),
    }),
    { minLength: 1, maxLength: 12 },
  );
  const asked = { focalMm: 35, temperatureC: 2 };

  it('another zero or unit of the ring changes the answer just so', () => {
    fc.assert(
      fc.property(
        anyPoints,
        fc.double({ min: -50, max: 50, noNaN: true }),
        fc.constantFrom(0.1, 30),
        (drafts, by, unit) => {
          const points = drafts.map((draft) => point(draft.position, draft));
          const plain = new RingModel(points, PRIORS).predict(asked);
          const changed = points.map((known) => ({ ...known, position: unit * (known.position + by) }));
          const other = new RingModel(changed, ringPriors(unit * SPAN)).predict(asked);
          expect(other.position / unit - by).toBeCloseTo(plain.position, 6);
          expect(other.sigma / unit).toBeCloseTo(plain.sigma, 6);
        },
      ),
      { numRuns: 50 },
    );
  });

  it('the order of entries does not matter', () => {
    fc.assert(
      fc.property(anyPoints, (drafts) => {
        const points = drafts.map((draft) => point(draft.position, draft));
        const [a, b] = [points, points.toReversed()].map((list) => new RingModel(list, PRIORS).predict(asked));
        expect(b.position).toBeCloseTo(a.position, 5);
        expect(b.low95).toBeCloseTo(a.low95, 5);
      }),
      { numRuns: 50 },
    );
  });

  it('one wild entry among ten alike hardly moves the answer', () => {
    fc.assert(
      fc.property(fc.double({ min: 1, max: 1e4, noNaN: true }), fc.boolean(), (by, below) => {
        const alike = [6.31, 6.42, 6.38, 6.5, 6.44, 6.36, 6.41, 6.47, 6.33, 6.4].map((position) => point(position));
        const wild = point(6.4 + (below ? -by : by));
        const before = new RingModel(alike, PRIORS).predict({ focalMm: 24, temperatureC: 8 });
        const after = new RingModel([wild, ...alike], PRIORS);
        expect(Math.abs(after.predict({ focalMm: 24, temperatureC: 8 }).position - before.position)).toBeLessThan(0.1);
        expect(after.residuals[0].bad).toBe(true);
      }),
      { numRuns: 50 },
    );
  });
});

describe('which entries teach', () => {
  const entry = (draft: EntryDraft) =>
    makeEntry(
      { lens: 'wide', ringUnit: 'marks', verdict: 'in-focus', ringPosition: 6.4, ...draft },
      { id: crypto.randomUUID(), timeUtc: '2031-10-14T21:00:00.000Z' },
    );
  const inKit: KitLens = { ...LENS_PRESETS[3], name: 'wide' };

  it('those of the lens, in focus, with the ring read, in the unit of its ring', () => {
    const entries = [
      entry({}),
      entry({ ringPosition: 6.5 }),
      entry({ lens: 'long', ringPosition: 2 }),
      entry({ verdict: 'out-of-focus', ringPosition: 9 }),
      entry({ verdict: 'not-measured', ringPosition: 9 }),
      entry({ ringPosition: null }),
      entry({ ringUnit: 'degrees', ringPosition: 80, timeUtc: '2031-10-15T00:00:00Z' }),
    ];
    const memory = ringMemory(entries, 'wide', inKit)!;
    expect(memory.unit).toBe('marks');
    const { position, entries: count } = memory.model.predict({ focalMm: 24, temperatureC: null });
    expect(count).toBe(2);
    expect(position).toBeCloseTo(6.45, 2);
    // Without the kit's word the newest entry's unit counts.
    expect(ringMemory(entries, 'wide', null)?.unit).toBe('degrees');
    expect(ringMemory(entries, 'another', null)).toBe(null);
  });

  it('of a fixed focal length it need not be written down', () => {
    const { model } = ringMemory([entry({ focalMm: null })], 'wide', inKit)!;
    const [known, zoomed] = [24, null].map((focalMm) => model.predict({ focalMm, temperatureC: null }).sigma);
    expect(known).toBeLessThan(zoomed);
  });

  it('the scale of the ring sets the priors', () => {
    const sigmaOf = (ring: Partial<KitLens['ring']>) =>
      ringMemory([entry({})], 'wide', { ...inKit, ring: { ...inKit.ring, ...ring } })!.model.predict({
        focalMm: 24,
        temperatureC: null,
      }).sigma;
    expect(sigmaOf({ from: 0, to: 20 })).toBeCloseTo(2 * sigmaOf({}), 9);
    expect(sigmaOf({ backlash: 1 })).toBeGreaterThan(sigmaOf({ backlash: 0 }));
  });
});
