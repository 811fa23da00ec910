import { resolve } from 'node:path';
import envPaths from 'env-paths';

/**
 * The folder that holds notebook and settings: the one named, else NIGHTRING_DATA, else the user's
 * data folder as the platform has it (XDG Base Directory on Linux).
 */
export function dataFolder(named?: string): string {
  return resolve(named || process.env.NIGHTRING_DATA || envPaths('nightring', { suffix: '' }).data);
}

export const NOTEBOOK_FILE = 'notebook.sqlite';
export const SETTINGS_FILE = 'settings.json';
