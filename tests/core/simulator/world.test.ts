import { describe, expect, test } from 'vitest';
import { depthOfFocusUm } from '../../../core/optics/formulas.ts';
import { limitsFor, renderNoiseFree } from '../../../core/simulator/render.ts';
import type { Scenario } from '../../../core/simulator/scenario.ts';
import { truth } from '../../../core/simulator/scene.ts';
import { SimulatedWorld, TABLE_LIMITS } from '../../../core/simulator/world.ts';
import scenarioFile from '../../../samples/scenario.json' with { type: 'json' };

const scenario = scenarioFile as Scenario;

/** Sets the ring so that the lens stands `dzUm` from focus, coming from below to take up the backlash. */
function focusAt(world: SimulatedWorld, dzUm: number): void {
  world.ring = scenario.lens.ringMin;
  const perMark = scenario.lens.settings.find((setting) => setting.focalMm === world.focalMm)!.umPerMark;
  world.ring += scenario.lens.backlashMarks;
  for (let i = 0; i < 3; i++) world.ring += (dzUm - world.dzUm) / perMark;
}

/**
 * Table against exact, over the six first-order spots in green: the largest difference of a pixel in
 * units of the brightest, and the largest shift of a spot's centroid across its line, px.
 * @param all compare with the far light that the tables leave out
 */
function compare(world: SimulatedWorld, all = false): { worst: number; shift: number } {
  const scene = { ...world.scene(0), otherLights: [], skyE: 0 };
  const limits = all ? limitsFor(scene) : { ...limitsFor(scene), tailsAiry: TABLE_LIMITS.tailsAiry, farFields: false };
  const [table, exact] = [world.lightOf(scene).planes[1], renderNoiseFree(scene, limits).planes[1]];
  const { spotDistancePx, middleAngleDeg, outerAngleDeg } = truth(scene);
  const [halfLength, halfWidth] = [0.25 * spotDistancePx, 0.12 * spotDistancePx];
  let [peak, worst, shift] = [0, 0, 0];
  for (const turn of [0, outerAngleDeg, -outerAngleDeg])
    for (const side of [1, -1]) {
      const angle = ((middleAngleDeg + turn) * Math.PI) / 180;
      const [cos, sin] = [Math.cos(angle), Math.sin(angle)];
      const sums = { table: [0, 0], exact: [0, 0] };
      for (let at = 0; at < exact.length; at++) {
        const dx = (at % scene.widthPx) - scene.star.xPx;
        const dy = Math.floor(at / scene.widthPx) - scene.star.yPx;
        const across = -dx * sin + dy * cos;
        if (Math.abs(dx * cos + dy * sin - side * spotDistancePx) > halfLength || Math.abs(across) > halfWidth)
          continue;
        peak = Math.max(peak, exact[at]);
        worst = Math.max(worst, Math.abs(table[at] - exact[at]));
        sums.table[0] += table[at];
        sums.table[1] += table[at] * across;
        sums.exact[0] += exact[at];
        sums.exact[1] += exact[at] * across;
      }
      shift = Math.max(shift, Math.abs(sums.table[1] / sums.table[0] - sums.exact[1] / sums.exact[0]));
    }
  return { worst: worst / peak, shift };
}

describe('frames from tables equal the diffraction integral', () => {
  // 2.75, 8.2 and 13.7 µm lie half way between tabulated values, where mixing does worst.
  test.each([-2.75, 0, 3, 8.2, -13.7, -24.7, 57])('at %d µm from focus', (dzUm) => {
    const world = new SimulatedWorld(scenario, 3);
    focusAt(world, dzUm);
    expect(world.dzUm).toBeCloseTo(dzUm, 6);
    const { worst, shift } = compare(world);
    expect(worst).toBeLessThan(0.02);
    expect(shift).toBeLessThan(0.005);
  });
});

test('the spots’ far light in each other, left out of the tables, shifts centroids by hundredths of a pixel', () => {
  const world = new SimulatedWorld(scenario, 3);
  focusAt(world, -8);
  const { worst, shift } = compare(world, true);
  expect(worst).toBeLessThan(0.03);
  expect(shift).toBeLessThan(0.08);
});

describe('the same at other magnifications', () => {
  test.each([1, 10])('%d×', (magnification) => {
    const world = new SimulatedWorld(scenario, 3);
    world.magnification = magnification;
    focusAt(world, 8.2);
    const { worst, shift } = compare(world);
    expect(worst).toBeLessThan(0.02);
    expect(shift).toBeLessThan(0.005);
  });
});

describe('the lens', () => {
  test('defocus follows the ring at the stated rate, after the backlash', () => {
    const world = new SimulatedWorld(scenario);
    world.frame(0);
    world.ring = 6;
    const from = world.dzUm;
    world.ring = 6.5;
    expect(world.dzUm - from).toBeCloseTo(0.5 * 30, 6);
    const top = world.dzUm;
    world.ring = 6.5 - 0.5 * scenario.lens.backlashMarks;
    expect(world.dzUm).toBe(top);
    world.ring = 6.5 - 3 * scenario.lens.backlashMarks;
    expect(top - world.dzUm).toBeCloseTo(2 * scenario.lens.backlashMarks * 30, 6);
  });

  test('stops at the ends of its travel', () => {
    const world = new SimulatedWorld(scenario);
    world.ring = 99;
    expect(world.ring).toBe(scenario.lens.ringMax);
    world.ring = -5;
    expect(world.ring).toBe(scenario.lens.ringMin);
  });

  test('infinity moves with focal length and, through the evening, with temperature', () => {
    const world = new SimulatedWorld(scenario);
    world.frame(0);
    const start = world.dzUm;
    world.frame(2 * 3_600_000);
    expect(world.temperatureC).toBeCloseTo(12 - 2 * 1.6, 9);
    // Enough over two hours to leave the depth of focus half way: the reason to focus again.
    expect(Math.abs(world.dzUm - start)).toBeCloseTo(2 * 1.6 * 0.035 * 30, 6);
    expect(Math.abs(world.dzUm - start)).toBeGreaterThan(0.3 * depthOfFocusUm(scenario.lens.fNumber));
    world.temperatureC = 12;
    expect(world.dzUm).toBeCloseTo(start, 9);
    world.frame(40 * 3_600_000);
    expect(world.temperatureC).toBe(scenario.evening.lowestC);
    world.focalMm = 50;
    expect(world.dzUm).not.toBeCloseTo(start, 0);
  });

  test('says what it cannot be set to', () => {
    const world = new SimulatedWorld(scenario);
    expect(() => {
      world.focalMm = 35;
    }).toThrow('focal length must be one of 14, 24, 50 mm');
    expect(() => {
      world.magnification = 3;
    }).toThrow('magnification must be one of 1, 5, 10');
  });
});

describe('live view', () => {
  test('frames carry truth, mode and fresh noise; the same seed gives the same frames', () => {
    const world = new SimulatedWorld(scenario, 9);
    const [one, two] = [world.frame(0), world.frame(33)];
    expect(one.image.data).not.toEqual(two.image.data);
    expect(one.mode).toEqual({ kind: 'live', magnification: 5, pixelUm: 12000 / 1024 / 5 });
    expect(one.truth.spotDistancePx).toBeCloseTo(132 / one.mode.pixelUm!, 6);
    const again = new SimulatedWorld(scenario, 9).frame(0);
    expect(again.image.data).toEqual(one.image.data);
    expect(again.truth).toEqual(one.truth);
  });

  test('magnification changes the scale, not the light', () => {
    const world = new SimulatedWorld(scenario, 2);
    for (const magnification of scenario.camera.magnifications) {
      world.magnification = magnification;
      const { mode, truth } = world.frame(0);
      expect(mode.pixelUm! * magnification).toBeCloseTo(12000 / 1024, 9);
      expect(truth.spotDistancePx * mode.pixelUm!).toBeCloseTo(132, 6);
    }
  });

  test('sky and its noise come out as asked, far from the star', () => {
    const world = new SimulatedWorld(scenario, 4);
    const { image } = world.frame(0);
    const scene = world.scene(0);
    let [count, sum] = [0, 0];
    for (let y = 0; y < 60; y++)
      for (let x = 0; x < image.widthPx; x++, count++) sum += image.data[3 * (y * image.widthPx + x) + 1];
    expect(sum / count).toBeGreaterThan(20);
    const share = scene.skyE / scene.fullWellE;
    expect(sum / count).toBeCloseTo(255 * (1.055 * share ** (1 / 2.4) - 0.055), -1);
  });

  test('the star drifts and dances within its bounds', () => {
    const world = new SimulatedWorld(scenario, 5);
    const places = Array.from({ length: 200 }, (_, i) => world.scene(i * 10_000).star);
    const reach = scenario.star.driftUm / world.pixelUm;
    const xs = places.map(({ xPx }) => xPx - 511.5);
    expect(Math.max(...xs)).toBeLessThan(reach);
    expect(Math.min(...xs)).toBeGreaterThan(-reach);
    expect(Math.max(...xs) - Math.min(...xs)).toBeGreaterThan(reach);
  });

  test('with tables computed elsewhere a world shows what it would have computed itself', () => {
    const [set, shown] = [new SimulatedWorld(scenario, 6), new SimulatedWorld(scenario, 6)];
    set.magnification = 1;
    set.ring = 6.9;
    const wanted = shown.missing(set);
    expect(wanted).toHaveLength(2);
    const { magnification } = shown;
    for (const key of wanted) shown.keep(key, new SimulatedWorld(scenario).patternTable(key));
    expect(shown.magnification).toBe(magnification);
    expect(shown.missing(set)).toEqual([]);
    shown.follow(set);
    expect([shown.ring, shown.magnification, shown.dzUm]).toEqual([set.ring, set.magnification, set.dzUm]);
    expect(shown.frame(0).image.data).toEqual(set.frame(0).image.data);
  });

  test('the tables that are needed next lie on both sides of the present ones', () => {
    const world = new SimulatedWorld(scenario);
    const now = world.missing(world).map(({ node }) => node);
    const ahead = world.missing(world, true).map(({ node }) => node);
    expect(ahead.slice(0, 2)).toEqual(now);
    expect(Math.min(...ahead)).toBeLessThan(now[0]);
    expect(Math.max(...ahead)).toBeGreaterThan(now[1]);
  });
});
