/**
 * Adds up what the checks and the test run say.
 * @param {Record<string, boolean>} checks whether each check passed; one test each
 * @param {{passed: number, failed: number, skipped: number} | null} counts what the test run counted, null when it did not get to its end
 * @param {boolean} runPassed whether the test run itself says all is well
 */
export function tally(checks, counts, runPassed) {
  const total = { passed: 0, failed: 0, skipped: 0, ...counts };
  // A run can fail without a failed test, or find no test at all: never let that pass.
  if (!counts || counts.passed + counts.failed === 0 || (!runPassed && counts.failed === 0)) total.failed++;
  for (const passed of Object.values(checks)) total[passed ? 'passed' : 'failed']++;
  return total;
}

/** The closing line, in the form that any reader of test logs understands. */
export function closingLine({ passed, failed, skipped }) {
  return `${passed} passed, ${failed} failed${skipped > 0 ? `, ${skipped} skipped` : ''}`;
}
