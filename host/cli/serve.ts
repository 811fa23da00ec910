import { join } from 'node:path';
import type { Command } from 'commander';
import { dataFolder, NOTEBOOK_FILE, SETTINGS_FILE } from '../datafolder.ts';
import { Notebook } from '../notebook/notebook.ts';
import { startHost } from '../server/server.ts';
import { SettingsFile } from '../server/settings.ts';
import { parseCamera, parsePort } from './options.ts';
import { CommandError, EXIT, remark, writeLine } from './output.ts';
import { strings } from './strings.ts';

export function addServe(program: Command): void {
  program
    .command('serve')
    .summary(strings.serve.summary)
    .description(strings.serve.summary)
    .option('--camera <NAME>', strings.options.serveCamera, parseCamera)
    .option('--port <N>', strings.options.port, parsePort)
    .option('--data <DIR>', strings.options.data)
    .addHelpText('after', strings.serve.help)
    .action(serve);
}

async function serve(options: { camera?: string; port?: number; data?: string }): Promise<void> {
  const ended = new Promise((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP'] as const) process.on(signal, resolve);
  });
  const folder = dataFolder(options.data);
  const notebook = new Notebook(join(folder, NOTEBOOK_FILE), 'show-backup');
  if (notebook.problem) remark(notebook.problem);
  const settings = await SettingsFile.open(join(folder, SETTINGS_FILE));
  if (settings.warning) remark(settings.warning);
  const { camera, port } = options;
  const host = await startHost({ notebook, settings, camera, port }).catch((error: Error) => {
    throw new CommandError(error.message, EXIT.usage);
  });
  await writeLine(strings.serve.running(host.url));
  await writeLine(strings.serve.howToEnd);
  await writeLine(strings.serve.caution);
  await ended;
  await host.close();
  notebook.close();
}
