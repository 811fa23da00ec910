import { type Command, Option } from 'commander';
import { makePaper, PAPER_KINDS, PaperError, type PaperWishes } from '../paper/paper.ts';
import { withData, writeNew } from './notebook.ts';
import { parseNumber, parsePositive } from './options.ts';
import { CommandError, EXIT } from './output.ts';
import { strings } from './strings.ts';

const texts = strings.paper;

type PaperOptions = Pick<PaperWishes, 'paper' | 'lens' | 'diameterMm' | 'temperatureC'> & {
  out: string;
  data?: string;
};

export function addPaper(program: Command): void {
  const parent = program.command('paper').summary(texts.summary).description(texts.summary).helpCommand(false);
  for (const kind of PAPER_KINDS) {
    const command = parent
      .command(kind)
      .description(texts[kind].summary)
      .requiredOption('--out <FILE>', texts.out)
      .addOption(new Option('--paper <SIZE>', texts.paper).choices(['a4', 'letter']).default('a4'))
      .option('--data <DIR>', strings.options.data)
      .addHelpText('after', texts[kind].help);
    if (kind === 'tape') command.option('--diameter-mm <D>', texts.diameterMm, parsePositive);
    if (kind !== 'report')
      command
        .option('--lens <NAME>', strings.options.lens)
        .option('--temperature-c <T>', texts.temperatureC, parseNumber);
    command.action(({ out, data, ...wishes }: PaperOptions) =>
      withData(data, async ({ notebook, settings }) => {
        const now = new Date();
        const when = { atMs: now.getTime(), zoneMinutes: -now.getTimezoneOffset() };
        const pdf = await makePaper(kind, notebook.list(), settings.get(), { ...wishes, ...when }).catch((error) => {
          throw error instanceof PaperError ? new CommandError(error.message, EXIT.usage) : error;
        });
        await writeNew(out, pdf);
      }),
    );
  }
}
