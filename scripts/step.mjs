/** One long step of the setup: one line with the time it takes, its output kept back unless it fails. */
import { spawn } from 'node:child_process';
import { ROOT } from './project.mjs';

const elapsed = (startMs) => `${((Date.now() - startMs) / 1000).toFixed(1)} s`;

/**
 * Runs a command to its end with no standard input.
 * @param {string} title what is being done, for the progress line
 * @param {{cwd?: string, env?: Record<string, string>, limitMs?: number}} [options] limitMs ends a command that hangs
 * @returns {Promise<{ok: boolean, output: string}>} never rejects
 */
export async function runStep(title, command, args, { cwd = ROOT, env = {}, limitMs = 0 } = {}) {
  const startMs = Date.now();
  const terminal = process.stdout.isTTY;
  process.stdout.write(`${title} … `);
  const timer = terminal && setInterval(() => process.stdout.write(`\r${title} … ${elapsed(startMs)} `), 500);
  const result = await new Promise((resolve) => {
    const child = spawn(command, args, {
      cwd,
      env: { ...process.env, NO_COLOR: '1', ...env },
      stdio: ['ignore', 'pipe', 'pipe'],
      timeout: limitMs,
      shell: process.platform === 'win32' && command === 'npm',
    });
    let output = '';
    const keep = (chunk) => {
      output = (output + chunk).slice(-20_000);
    };
    child.stdout.on('data', keep);
    child.stderr.on('data', keep);
    child.on('error', (error) => resolve({ ok: false, output: `${output}${error.message}\n` }));
    child.on('close', (code, signal) => {
      if (signal) keep(`ended by ${signal} after ${elapsed(startMs)}\n`);
      resolve({ ok: code === 0, output });
    });
  });
  if (timer) clearInterval(timer);
  process.stdout.write(`${terminal ? `\r${title} … ` : ''}${result.ok ? '' : 'failed, '}${elapsed(startMs)}\n`);
  return result;
}

/** The last lines of a step's output, indented. */
export function tail(output, lines = 15) {
  return output
    .trimEnd()
    .split('\n')
    .slice(-lines)
    .map((line) => `  ${line}`)
    .join('\n');
}
