import { execFileSync } from 'node:child_process';
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';

/** What is wrong on the bus; see usb.c. */
export type UsbState = `connected ${number} ${number}` | 'absent' | 'forbidden' | 'held' | 'crash' | 'gone';

/** A USB bus for the processes started from now on: usb.c, compiled and preloaded. */
export class VirtualUsb {
  readonly file: string;
  readonly #before = process.env.LD_PRELOAD;

  constructor(state: UsbState) {
    const folder = mkdtempSync(join(tmpdir(), 'nightring-usb-'));
    const library = join(folder, 'usb.so');
    const source = fileURLToPath(new URL('./usb.c', import.meta.url));
    execFileSync(process.env.CC ?? 'gcc', ['-shared', '-fPIC', '-w', '-o', library, source]);
    this.file = join(folder, 'state');
    this.set(state);
    process.env.VIRTUAL_USB = this.file;
    process.env.LD_PRELOAD = library;
  }

  set(state: UsbState): void {
    writeFileSync(this.file, state);
  }

  async close(): Promise<void> {
    if (this.#before === undefined) delete process.env.LD_PRELOAD;
    else process.env.LD_PRELOAD = this.#before;
    delete process.env.VIRTUAL_USB;
  }
}
