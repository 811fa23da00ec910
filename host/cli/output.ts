import { once } from 'node:events';

/** How the command ends; see the command line's help. */
export const EXIT = { ok: 0, unreadable: 1, usage: 2, noPattern: 3, cameraGone: 4, failed: 5 } as const;

/** A failure with one line for the user and an exit status. */
export class CommandError extends Error {
  override name = 'CommandError';
  readonly exitCode: number;
  constructor(message: string, exitCode: number) {
    super(message);
    this.exitCode = exitCode;
  }
}

/** Writes a line to standard output, waiting while its reader is slow, so that memory stays flat. */
export async function writeLine(line: string): Promise<void> {
  if (!process.stdout.write(`${line}\n`)) await once(process.stdout, 'drain');
}

/** A remark beside the results: to standard error, so that standard output stays one line per image. */
export function remark(line: string): void {
  process.stderr.write(`${line}\n`);
}

/** Rows as lines, each column as wide as its widest cell. */
export function columns(rows: readonly (readonly string[])[]): string[] {
  const widths = rows[0]?.map((_, column) => Math.max(...rows.map((cells) => cells[column].length))) ?? [];
  return rows.map((cells) =>
    cells
      .map((cell, column) => cell.padEnd(widths[column]))
      .join('  ')
      .trimEnd(),
  );
}
