import type { Command } from 'commander';
import { findCameras } from '../cameras/camera.ts';
import { writeLine } from './output.ts';
import { strings } from './strings.ts';

export function addCameras(program: Command): void {
  program
    .command('cameras')
    .summary(strings.cameras.summary)
    .description(strings.cameras.summary)
    .addHelpText('after', strings.cameras.help)
    .action(async () => {
      const found = (await findCameras()).map(({ name, label }) => [name, label]);
      const rows = [...found, strings.cameras.folderHint];
      const width = Math.max(...rows.map(([name]) => name.length));
      for (const [name, label] of rows) await writeLine(`${name.padEnd(width)}  ${label}`);
    });
}
