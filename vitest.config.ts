import { availableParallelism } from 'node:os';
import { defineConfig } from 'vitest/config';

/**
 * Two groups, one after the other: tests of pure code run on all cores; those that start a browser,
 * a camera or a host of their own run one file at a time, so that they do not starve each other.
 */
const machine = ['browser', 'camera', 'electron', 'scripts'].map((folder) => `tests/${folder}/**/*.test.ts`);

export default defineConfig({
  test: {
    // Limits for what hangs, not for speed: the machine may be busy.
    testTimeout: 60_000,
    hookTimeout: 120_000,
    expect: { poll: { timeout: 20_000 } },
    projects: [
      {
        extends: true,
        test: {
          name: 'unit',
          include: ['tests/**/*.test.ts'],
          exclude: machine,
          maxWorkers: availableParallelism(),
          sequence: { groupOrder: 0 },
        },
      },
      {
        extends: true,
        test: {
          name: 'machine',
          include: machine,
          fileParallelism: false,
          sequence: { groupOrder: 1 },
        },
      },
    ],
  },
});
