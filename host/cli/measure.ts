import { readFile, stat } from 'node:fs/promises';
import type { Command } from 'commander';
import { type KnownOptics, measureBytes } from '../measure.ts';
import { isMaskAssumed, jsonLine, type LineOutcome, missingForDefocus, textLine, worseExit } from './lines.ts';
import { knownOptics, type OpticsOptions, withOpticsOptions } from './options.ts';
import { EXIT, remark, writeLine } from './output.ts';
import { strings } from './strings.ts';

/** No camera writes larger pictures. */
const MAX_BYTES = 1 << 30;

export function addMeasure(program: Command): void {
  withOpticsOptions(program.command('measure'))
    .summary(strings.measure.summary)
    .description(strings.measure.summary)
    .option('--json', strings.options.json)
    .argument('<FILE...>', strings.options.files)
    .addHelpText('after', strings.measure.help)
    .action(async (files: string[], options: OpticsOptions & { json?: boolean }) => {
      process.exitCode = await measureFiles(files, await knownOptics(options), options.json ?? false);
    });
}

async function measureFiles(files: string[], known: KnownOptics, asJson: boolean): Promise<number> {
  const nameWidth = Math.min(40, Math.max(...files.map((file) => file.length)));
  const remarks = new Remarks();
  let exit: number = EXIT.ok;
  for (const file of files) {
    const outcome = await measureFile(file, known);
    await writeLine(asJson ? jsonLine({ file }, outcome) : textLine({ file }, outcome, nameWidth));
    exit = worseExit(exit, outcome);
    remarks.note(outcome);
  }
  if (!asJson) remarks.print();
  return exit;
}

async function measureFile(file: string, known: KnownOptics): Promise<LineOutcome> {
  const read = await readPicture(file);
  return 'reason' in read ? read : measureBytes(read.bytes, file, known);
}

/** A picture file's bytes, or why they cannot be had. */
export async function readPicture(file: string): Promise<{ bytes: Buffer } | { reason: string }> {
  try {
    const info = await stat(file);
    if (info.isDirectory()) return { reason: strings.file.folder(file) };
    if (info.size > MAX_BYTES) return { reason: strings.file.tooLarge((info.size / 1e9).toFixed(1)) };
    return { bytes: await readFile(file) };
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException;
    if (code === undefined) throw error;
    return { reason: code === 'ENOENT' ? strings.file.missing : strings.file.cannotRead(code) };
  }
}

/** What is to be said once about all lines of a run. */
export class Remarks {
  #maskAssumed = false;
  #missing = new Set<string>();

  note(outcome: LineOutcome): void {
    if (!('reading' in outcome)) return;
    this.#maskAssumed ||= isMaskAssumed(outcome);
    const missing = missingForDefocus(outcome);
    if (missing) this.#missing.add(missing);
  }

  print(): void {
    if (this.#maskAssumed) remark(strings.assumedMask);
    for (const missing of this.#missing) remark(strings.noDefocus(missing));
  }
}
