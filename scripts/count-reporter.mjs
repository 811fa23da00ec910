/** Vitest reporter that writes how many tests passed, failed and were skipped to a file for test.mjs. */
import { writeFileSync } from 'node:fs';

export default class CountReporter {
  onTestRunEnd(modules, unhandledErrors) {
    const counts = { passed: 0, failed: unhandledErrors.length, skipped: 0 };
    for (const module of modules) {
      const suites = [module, ...module.children.allSuites()];
      counts.failed += suites.filter((suite) => suite.errors().length > 0).length;
      for (const test of module.children.allTests()) {
        const { state } = test.result();
        counts[state === 'pending' ? 'failed' : state]++;
      }
    }
    writeFileSync(process.env.NIGHTRING_TEST_COUNTS, JSON.stringify(counts));
  }
}
