import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type Command, Option } from 'commander';
import { lensInUse } from '../../core/kit/kit.ts';
import { toCsv } from '../../core/notebook/csv.ts';
import type { Entry } from '../../core/notebook/entry.ts';
import { ringMemory } from '../../core/notebook/memory.ts';
import { startText, withSigma } from '../../core/strings.ts';
import { dataFolder, NOTEBOOK_FILE, SETTINGS_FILE } from '../datafolder.ts';
import { dataJsonSchema, writeData } from '../notebook/document.ts';
import { isNotebookFile, Notebook } from '../notebook/notebook.ts';
import { takeOver } from '../notebook/takeover.ts';
import { SettingsFile } from '../server/settings.ts';
import { parseNumber, parsePositive } from './options.ts';
import { CommandError, columns, EXIT, remark, writeLine } from './output.ts';
import { strings } from './strings.ts';

const texts = strings.notebook;

export interface Data {
  notebook: Notebook;
  settings: SettingsFile;
}

export function addNotebook(program: Command): void {
  const parent = program.command('notebook').summary(texts.summary).description(texts.summary).helpCommand(false);
  const command = (name: string, description: string, help: string) =>
    parent
      .command(name)
      .description(description)
      .option('--data <DIR>', strings.options.data)
      .addHelpText('after', help);

  command('list', texts.list, texts.listHelp)
    .option('--json', strings.options.json)
    .action(({ data, json }) => withData(data, ({ notebook }) => list(notebook, json)));
  command('predict', texts.predict, texts.predictHelp)
    .option('--lens <NAME>', strings.options.lens)
    .option('--focal-mm <F>', strings.options.focalMm, parsePositive)
    .option('--temperature-c <T>', strings.options.temperatureC, parseNumber)
    .option('--json', strings.options.json)
    .action((options: PredictOptions & { data?: string }) => withData(options.data, (use) => predict(use, options)));
  command('export', texts.export, texts.exportHelp)
    .addOption(new Option('--format <FORMAT>', strings.options.format).choices(['csv', 'json']).default('json'))
    .addOption(new Option('--only <PART>', strings.options.only).choices(['notebook', 'kit', 'settings']))
    .option('--output <FILE>', strings.options.output)
    .action(({ data, format, only, output }) => {
      const asCsv = format === 'csv';
      if (asCsv && only && only !== 'notebook') throw new CommandError(texts.csvIsEntries, EXIT.usage);
      return withData(data, (use) => save(asCsv ? toCsv(use.notebook.list()) : documentOf(use, only), output));
    });
  command('import', texts.import, texts.importHelp)
    .alias('merge')
    .argument('<FILE>', texts.importFile)
    .action((file: string, { data }) => withData(data, (use) => importFile(use, file)));
  command('backup', texts.backup, texts.backupHelp).action(({ data }) =>
    withData(data, async ({ notebook, settings }) => {
      await settings.backup();
      await writeLine(texts.exported(notebook.backup()));
    }),
  );
  command('restore', texts.restore, texts.restoreHelp).action(({ data }) =>
    withData(data, async ({ notebook }) => {
      const aside = notebook.restore();
      await writeLine(aside ? texts.restored(aside) : texts.nothingToRestore);
    }),
  );
  parent
    .command('schema')
    .description(texts.schema)
    .action(() => writeLine(JSON.stringify(dataJsonSchema(), null, 2)));
}

/** What is shown in the place of a damaged notebook is told, and may be read. */
export async function withData(folder: string | undefined, use: (data: Data) => Promise<void>): Promise<void> {
  const settings = await SettingsFile.open(join(dataFolder(folder), SETTINGS_FILE));
  if (settings.warning) remark(settings.warning);
  const notebook = new Notebook(join(dataFolder(folder), NOTEBOOK_FILE), 'show-backup');
  if (notebook.problem) remark(notebook.problem);
  try {
    await use({ notebook, settings });
  } finally {
    notebook.close();
  }
}

function documentOf({ notebook, settings }: Data, only?: string): string {
  const wanted = (part: string) => only === undefined || only === part;
  return writeData({
    notebook: wanted('notebook') ? notebook.book() : undefined,
    kit: wanted('kit') ? settings.get().kit : undefined,
    settings: wanted('settings') ? settings.get() : undefined,
  });
}

async function importFile({ notebook, settings }: Data, file: string): Promise<void> {
  const bytes = await readFile(file).catch((error: NodeJS.ErrnoException) => {
    throw new CommandError(strings.cannotRead(file, error.code ?? error.message), EXIT.unreadable);
  });
  const text = isNotebookFile(bytes) ? unreadable(() => bookOf(file)) : bytes.toString('utf8');
  const result = await takeOver(text, notebook, settings).catch((error: Error) => {
    throw new CommandError(error.message, EXIT.unreadable);
  });
  await writeLine(texts.imported(result));
}

/** Another notebook's own file as a document; it is not changed. */
function bookOf(file: string): string {
  const other = new Notebook(file, 'only-read');
  try {
    return writeData({ notebook: other.book() });
  } finally {
    other.close();
  }
}

/** A file that is no notebook counts as unreadable. */
function unreadable<Result>(work: () => Result): Result {
  try {
    return work();
  } catch (error) {
    throw new CommandError((error as Error).message, EXIT.unreadable);
  }
}

interface PredictOptions {
  lens?: string;
  focalMm?: number;
  temperatureC?: number;
  json?: boolean;
}

async function predict({ notebook, settings }: Data, options: PredictOptions): Promise<void> {
  const { kit, lensName, optics } = settings.get();
  const lens = options.lens ?? lensName;
  if (!lens) throw new CommandError(texts.whichLens, EXIT.usage);
  const entries = notebook.list();
  const memory = ringMemory(entries, lens, lensInUse({ kit, lensName: lens }));
  if (!memory) throw new CommandError(texts.nothingKnown(lens), EXIT.noPattern);
  const { unit, model } = memory;
  const focalMm = options.focalMm ?? (lens === lensName ? optics.focalMm : null);
  const temperatureC = options.temperatureC ?? null;
  const prediction = model.predict({ focalMm, temperatureC });
  const perDegree = model.perDegree(focalMm);
  const backlash = model.backlash();
  const { residuals } = model;
  if (options.json) {
    const found = { lens, unit, focalMm, temperatureC, ...prediction, perDegree, backlash, residuals };
    return writeLine(JSON.stringify(found));
  }
  await writeLine(startText(prediction, unit));
  await writeLine(texts.thermal(withSigma(perDegree.value, perDegree.sigma, unit)));
  await writeLine(texts.slack(withSigma(backlash.value, backlash.sigma, unit)));
  for (const { id, residual } of residuals.filter(({ bad }) => bad)) {
    const entry = entries.find((known) => known.id === id)!;
    await writeLine(texts.suspicious(entry, residual));
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

async function save(text: string, path: string | undefined): Promise<void> {
  return path === undefined ? writeLine(text.trimEnd()) : writeNew(path, text);
}

/** @throws CommandError when the file is there already or cannot be written */
export async function writeNew(path: string, content: string | Uint8Array): Promise<void> {
  await writeFile(path, content, { flag: 'wx' }).catch((error: NodeJS.ErrnoException) => {
    const message = error.code === 'EEXIST' ? texts.exists(path) : texts.cannotWrite(path, error.code ?? error.message);
    throw new CommandError(message, EXIT.usage);
  });
  remark(texts.exported(path));
}
