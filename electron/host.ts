/** The host as a child of the window, for the packed program: the same command line, run by the given Node. */
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { join } from 'node:path';
import { createInterface } from 'node:readline';

export interface RunningHost {
  /** Link to the host's page, with its token. */
  url: string;
  /** Asks the host to end and waits until it has. */
  stop(): Promise<void>;
  /** Settles when the host has ended, for whatever reason. */
  ended: Promise<unknown>;
}

/**
 * Starts `nightring serve` and waits for its link.
 * @param nodePath a Node binary, or Electron's own, which then runs as Node
 * @param programFolder folder that holds bin/nightring.mjs
 * @throws Error with one line when the host ends before it has a link
 */
export async function startHost(nodePath: string, programFolder: string, options: string[] = []): Promise<RunningHost> {
  const child = spawn(nodePath, [join(programFolder, 'bin', 'nightring.mjs'), 'serve', ...options], {
    stdio: ['ignore', 'pipe', 'inherit'],
    env: { ...process.env, ELECTRON_RUN_AS_NODE: '1' },
  });
  const ended = once(child, 'close').catch(() => {});
  const url = await new Promise<string | null>((resolve) => {
    createInterface({ input: child.stdout }).on('line', (line) => {
      const match = line.match(/http:\/\/127\.0\.0\.1:\d+\/\S*/);
      if (match) resolve(match[0]);
    });
    ended.then(() => resolve(null));
  });
  if (!url)
    throw new Error('The host ended before its page was ready; run "nightring serve" in a terminal to see why.');
  const stop = async () => {
    child.kill('SIGTERM');
    await ended;
  };
  return { url, stop, ended };
}
