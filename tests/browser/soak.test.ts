/** The whole chain left running: does what it takes of memory stay where it is? The hour is `npm run bench -- soak`. */
import { expect, test } from 'vitest';
import { benchSoak, growth } from '../bench/soak.ts';

/** Growth let pass from the first to the last quarter, MB. */
const PROCESS_MB = 20;
/** JavaScript that is left after the collector has run. */
const HEAP_MB = 4;

test('memory of host, camera process and page stays flat while frames are measured and recorded', async () => {
  const figures = await benchSoak(0.5, 20, 16);
  // Frames flow, to the end: 20 a second come, and a busy machine measures a part of them.
  expect(figures.measured).toBeGreaterThan(100);
  expect(figures.recorded).toBeGreaterThan(100);
  expect(figures.recordingMb).toBeLessThanOrEqual(50);
  const grownMb = (part: 'host' | 'camera' | 'heap') => {
    const { from, to } = growth(figures.samplesMb.map((sample) => sample[part]));
    return to - from;
  };
  expect(grownMb('host')).toBeLessThan(PROCESS_MB);
  // On a machine so busy that its process passes for hanging, what would be compared is of two.
  if (!figures.restarted) expect(grownMb('camera')).toBeLessThan(PROCESS_MB);
  expect(grownMb('heap')).toBeLessThan(HEAP_MB);
}, 420_000);
