/** The command line: `nightring COMMAND`. */
import { readFileSync } from 'node:fs';
import { Command, CommanderError } from 'commander';
import { addCalc } from './calc.ts';
import { addCameras } from './cameras.ts';
import { addMeasure } from './measure.ts';
import { addNotebook } from './notebook.ts';
import { CommandError, EXIT } from './output.ts';
import { addPaper } from './paper.ts';
import { addServe } from './serve.ts';
import { addStars } from './stars.ts';
import { strings } from './strings.ts';
import { addTargets } from './targets.ts';
import { addWatch } from './watch.ts';

// The reader of our output has gone (as in `| head`): nothing is left to do.
process.stdout.on('error', (error: NodeJS.ErrnoException) =>
  process.exit(error.code === 'EPIPE' ? EXIT.ok : EXIT.failed),
);

const { version } = JSON.parse(readFileSync(new URL('../../package.json', import.meta.url), 'utf8'));
const program = new Command('nightring')
  .description(strings.program)
  .version(version)
  .helpOption('-h, --help', 'explain the command')
  .helpCommand(false)
  .addHelpText('after', strings.commandsHelp)
  .showSuggestionAfterError(false)
  .configureOutput({ outputError: (text, write) => write(usageLine(text)) })
  .exitOverride();
// Commands inherit the settings above, so they are added last.
for (const add of [addServe, addMeasure, addStars, addWatch, addCameras, addTargets, addNotebook, addCalc, addPaper])
  add(program);

try {
  await program.parseAsync();
} catch (error) {
  // What the command had begun (a camera, a server) must not keep it from ending.
  process.exit(report(error as Error));
}

/** A usage error as one line that says what to do next. */
function usageLine(text: string): string {
  const message = text.trim().replace(/^error: /, '');
  return `nightring: ${message.endsWith('.') ? message : `${message}; see --help`}\n`;
}

/** Says what went wrong on one line; gives the exit status. */
function report(error: Error): number {
  if (error instanceof CommanderError) return error.exitCode === 0 ? EXIT.ok : EXIT.usage; // it has spoken already
  if (process.env.NIGHTRING_DEBUG) console.error(error);
  const [message] = error.message.split('\n');
  process.stderr.write(`nightring: ${message}\n`);
  return error instanceof CommandError ? error.exitCode : EXIT.failed;
}
