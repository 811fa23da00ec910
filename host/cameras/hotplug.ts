import { readdir, readFile } from 'node:fs/promises';
import { join } from 'node:path';

/** Where Linux lists what is on USB; a device that is plugged in again gets another `devnum`. */
const DEVICES = '/sys/bus/usb/devices';

/**
 * Tells when devices come or go on USB. It only reads the kernel's own list, so that no camera is opened or asked
 * anything, whoever uses it. Where there is no such list it never tells.
 *
 * @returns ends it
 */
export function watchUsb(onChange: () => void, { folder = DEVICES, everyMs = 1000 } = {}): () => void {
  let before: string | null = null;
  let timer: NodeJS.Timeout | undefined;
  let ended = false;
  const look = async () => {
    const now = await listOf(folder);
    if (ended) return;
    if (before !== null && now !== before) onChange();
    before = now;
    timer = setTimeout(look, everyMs).unref();
  };
  void look();
  return () => {
    ended = true;
    clearTimeout(timer);
  };
}

async function listOf(folder: string): Promise<string> {
  const names = await readdir(folder).catch(() => []);
  const lines = names.map(async (name) => {
    const number = await readFile(join(folder, name, 'devnum'), 'utf8').catch(() => ''); // interfaces have none
    return `${name} ${number.trim()}`;
  });
  return (await Promise.all(lines)).sort().join('\n');
}
