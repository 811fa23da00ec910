import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type Command, Option } from 'commander';
import type { Entry } from '../../core/notebook/entry.ts';
import { dataFolder, NOTEBOOK_FILE } from '../datafolder.ts';
import { Notebook } from '../notebook/notebook.ts';
import { CommandError, EXIT, remark, writeLine } from './output.ts';
import { strings } from './strings.ts';

const texts = strings.notebook;

export function addNotebook(program: Command): void {
  const notebook = program.command('notebook').summary(texts.summary).description(texts.summary).helpCommand(false);
  notebook
    .command('list')
    .description(texts.list)
    .option('--data <DIR>', strings.options.data)
    .option('--json', strings.options.json)
    .addHelpText('after', texts.listHelp)
    .action((options: { data?: string; json?: boolean }) =>
      withNotebook(options.data, (book) => list(book, options.json)),
    );
  notebook
    .command('export')
    .description(texts.export)
    .option('--data <DIR>', strings.options.data)
    .addOption(new Option('--format <FORMAT>', strings.options.format).choices(['csv', 'json']).default('json'))
    .option('--output <FILE>', strings.options.output)
    .addHelpText('after', texts.exportHelp)
    .action((options: { data?: string; format: string; output?: string }) =>
      withNotebook(options.data, (book) =>
        save(options.format === 'csv' ? book.exportCsv() : book.exportJson(), options.output),
      ),
    );
  notebook
    .command('import')
    .description(texts.import)
    .argument('<FILE>', 'JSON export')
    .option('--data <DIR>', strings.options.data)
    .addHelpText('after', texts.importHelp)
    .action((file: string, options: { data?: string }) =>
      withNotebook(options.data, async (book) => {
        const text = await readFile(file, 'utf8').catch((error: NodeJS.ErrnoException) => {
          throw new CommandError(texts.cannotRead(file, error.code ?? error.message), EXIT.unreadable);
        });
        const { added, skipped } = refusing(() => book.importJson(text));
        await writeLine(texts.imported(added, skipped));
      }),
    );
}

async function withNotebook(data: string | undefined, use: (notebook: Notebook) => Promise<void>): Promise<void> {
  const notebook = new Notebook(join(dataFolder(data), NOTEBOOK_FILE));
  try {
    await use(notebook);
  } finally {
    notebook.close();
  }
}

/** A file that is no notebook counts as unreadable. */
function refusing<Result>(work: () => Result): Result {
  try {
    return work();
  } catch (error) {
    throw new CommandError((error as Error).message, EXIT.unreadable);
  }
}

async function list(notebook: Notebook, asJson = false): Promise<void> {
  const entries = notebook.list();
  if (entries.length === 0) remark(texts.empty(notebook.path));
  if (asJson) for (const entry of entries) await writeLine(JSON.stringify(entry));
  else for (const line of columns(entries.map(row))) await writeLine(line);
}

function row(entry: Entry): string[] {
  const optional = (value: number | null, unit: string) => (value === null ? '' : `${value} ${unit}`.trim());
  const defocus =
    entry.defocusUm === null ? '' : `${entry.defocusUm.toFixed(1)} ± ${entry.defocusSigmaUm!.toFixed(1)} µm`;
  return [
    entry.timeUtc.slice(0, 16).replace('T', ' '),
    entry.lens,
    optional(entry.focalMm, 'mm'),
    optional(entry.ringPosition, entry.ringUnit),
    optional(entry.temperatureC, '°C'),
    defocus,
    entry.verdict,
    entry.target,
    entry.note.replaceAll(/\s+/g, ' '),
  ];
}

function columns(rows: string[][]): string[] {
  const widths = rows[0]?.map((_, column) => Math.max(...rows.map((cells) => cells[column].length))) ?? [];
  return rows.map((cells) =>
    cells
      .map((cell, column) => cell.padEnd(widths[column]))
      .join('  ')
      .trimEnd(),
  );
}

async function save(text: string, path: string | undefined): Promise<void> {
  if (path === undefined) return writeLine(text.trimEnd());
  await writeFile(path, text, { flag: 'wx' }).catch((error: NodeJS.ErrnoException) => {
    const message = error.code === 'EEXIST' ? texts.exists(path) : texts.cannotWrite(path, error.code ?? error.message);
    throw new CommandError(message, EXIT.usage);
  });
  remark(texts.exported(path));
}
