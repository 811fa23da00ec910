import { mergeKits } from '../../core/kit/kit.ts';
import type { ImportResult } from '../api.ts';
import type { SettingsFile } from '../server/settings.ts';
import { readData } from './document.ts';
import type { Notebook } from './notebook.ts';

/**
 * Takes over what a file holds: entries are merged, kit is added by name, settings are replaced (a backup
 * of them is kept, and the camera stays the one of this machine).
 * @throws NotebookError or SettingsError, one line; a file that is wrong changes nothing
 */
export async function takeOver(text: string, notebook: Notebook, settings: SettingsFile): Promise<ImportResult> {
  const data = readData(text);
  const result = notebook.merge(data.notebook ?? { entries: [], deletions: [] });
  const own = await settings.newest();
  if (data.kit || data.settings) {
    await settings.backup();
    const kit = [data.settings?.kit, data.kit].reduce<typeof own.kit>(
      (kept, other) => (other ? mergeKits(kept, other) : kept),
      own.kit,
    );
    await settings.set({ ...own, ...data.settings, camera: own.camera, kit });
  }
  return { ...result, kit: data.kit !== undefined, settings: data.settings !== undefined };
}
