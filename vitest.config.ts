import { availableParallelism } from 'node:os';
import { fileURLToPath } from 'node:url';
import { defineConfig } from 'vitest/config';
import { BaseSequencer, type TestSpecification } from 'vitest/node';

/**
 * Two groups, one after the other: most tests compute on one core or wait for a camera, so that two
 * more of them than there are cores run at a time; browsers take a core each while live view runs, and run two files at a time.
 * Pure computation has nothing that one file could leave behind for the next, but for tables and compiled code that serve it
 * as well: these files share their processes.
 */
const filesIn = (...folders: string[]) => folders.map((folder) => `tests/${folder}/**/*.test.ts`);
const pure = filesIn('core', 'reference');
const browser = filesIn('browser', 'electron', 'scripts');
const beforeBrowsers = { maxWorkers: availableParallelism() + 2, sequence: { groupOrder: 0 } };

/** What waits for a minute and more begins first, so that it does not run alone at the end. */
class LongestFirst extends BaseSequencer {
  override async sort(files: TestSpecification[]): Promise<TestSpecification[]> {
    const isLong = ({ moduleId }: TestSpecification) => Number(moduleId.endsWith('soak.test.ts'));
    return (await super.sort(files)).sort((a, b) => isLong(b) - isLong(a));
  }
}

export default defineConfig({
  test: {
    sequence: { sequencer: LongestFirst },
    // Limits for what hangs, not for speed: the machine may be busy.
    testTimeout: 120_000,
    hookTimeout: 120_000,
    expect: { poll: { timeout: 20_000 } },
    // As bin/nightring.mjs has it, for the processes that tests start without it.
    env: { NODE_COMPILE_CACHE: fileURLToPath(new URL('node_modules/.cache/nightring-code', import.meta.url)) },
    projects: [
      { extends: true, test: { name: 'core', include: pure, isolate: false, ...beforeBrowsers } },
      {
        extends: true,
        test: { name: 'host', include: ['tests/**/*.test.ts'], exclude: [...pure, ...browser], ...beforeBrowsers },
      },
      {
        extends: true,
        test: {
          name: 'browser',
          include: browser,
          maxWorkers: 2,
          sequence: { groupOrder: 1 },
        },
      },
    ],
  },
});
