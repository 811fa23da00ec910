/** The command line: `nightring COMMAND`. */
import { readFileSync } from 'node:fs';
import { Command, CommanderError } from 'commander';
import { CommandError, EXIT } from './output.ts';
import { strings } from './strings.ts';

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
/** In the order of the help. Only the one asked for is loaded: server, decoders and paper take long to load. */
const COMMANDS: Record<string, () => Promise<(program: Command) => void>> = {
  serve: async () => (await import('./serve.ts')).addServe,
  measure: async () => (await import('./measure.ts')).addMeasure,
  stars: async () => (await import('./stars.ts')).addStars,
  watch: async () => (await import('./watch.ts')).addWatch,
  cameras: async () => (await import('./cameras.ts')).addCameras,
  targets: async () => (await import('./targets.ts')).addTargets,
  notebook: async () => (await import('./notebook.ts')).addNotebook,
  calc: async () => (await import('./calc.ts')).addCalc,
  paper: async () => (await import('./paper.ts')).addPaper,
};
const [, , asked = ''] = process.argv;
// Commands inherit the settings above, so they are added last.
for (const name of Object.hasOwn(COMMANDS, asked) ? [asked] : Object.keys(COMMANDS)) (await COMMANDS[name]())(program);

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
