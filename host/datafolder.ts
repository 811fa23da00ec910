import { existsSync, mkdirSync } from 'node:fs';
import { dirname, resolve } from 'node:path';
import envPaths from 'env-paths';

/**
 * The folder that holds notebook and settings: the one named, else NIGHTRING_DATA, else the user's
 * data folder as the platform has it (XDG Base Directory on Linux).
 */
export function dataFolder(named?: string): string {
  return resolve(named || process.env.NIGHTRING_DATA || envPaths('nightring', { suffix: '' }).data);
}

/**
 * Makes a folder and those above it. The system's own way (`recursive`) never comes back where a folder
 * that is there takes no other, as in /proc.
 * @throws Error of the file system
 */
export function makeFolder(path: string): void {
  if (existsSync(path)) return;
  makeFolder(dirname(path));
  try {
    mkdirSync(path);
  } catch (error) {
    // Made by another process just now.
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error;
  }
}

/** 20311014T210500.000Z, which file systems take and which sorts by time. */
export const fileStamp = (time: Date) => time.toISOString().replaceAll(/[-:]/g, '');

export const NOTEBOOK_FILE = 'notebook.sqlite';
export const SETTINGS_FILE = 'settings.json';
export const RECORDINGS_FOLDER = 'recordings';
