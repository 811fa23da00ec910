import { readdirSync, rmSync, statSync } from 'node:fs';
import { basename, dirname, join } from 'node:path';
import { fileStamp, makeFolder } from '../datafolder.ts';

/** So many backups of a file are kept; the oldest give way. */
const KEPT = 20;

const BACKUP_AFTER_MS = 20 * 3600 * 1000;

const folderOf = (path: string) => join(dirname(path), 'backups');

/** Backups of a file, newest first. */
export function backupsOf(path: string): { path: string; timeUtc: string }[] {
  let names: string[];
  try {
    names = readdirSync(folderOf(path));
  } catch {
    return [];
  }
  return names
    .flatMap((name) => {
      const time = name.startsWith(`${basename(path)}.`) && /\.(\d{8}T\d{6}\.\d{3})Z(-\d+)?$/.exec(name)?.[1];
      return time ? [{ path: join(folderOf(path), name), timeUtc: readable(time) }] : [];
    })
    .toSorted((a, b) => b.path.localeCompare(a.path));
}

/** Place for a new backup; its folder is made, and the oldest ones too many are removed. */
export function newBackupPath(path: string): string {
  makeFolder(folderOf(path));
  const others = backupsOf(path);
  for (const { path: old } of others.slice(KEPT - 1)) rmSync(old, { force: true });
  // Two within a millisecond, or a clock set back: the later one still has a name of its own, and sorts as the newer.
  const newestMs = others.length > 0 ? Date.parse(others[0].timeUtc) : 0;
  return join(
    folderOf(path),
    `${basename(path)}.${fileStamp(new Date(Math.max(Date.now(), newestMs + 1)))}-${process.pid}`,
  );
}

/** Whether one of the files was written to since the newest backup, and that one is old. */
export function isBackupDue(path: string, files: string[]): boolean {
  const newest = backupsOf(path).at(0);
  if (!newest) return true;
  const madeMs = Date.parse(newest.timeUtc);
  const writtenMs = Math.max(...files.map((file) => statSync(file, { throwIfNoEntry: false })?.mtimeMs ?? 0));
  return writtenMs > madeMs && Date.now() - madeMs > BACKUP_AFTER_MS;
}

/** Name under which a file that cannot be used is put aside. */
export const asidePath = (path: string) => `${path}.${fileStamp(new Date())}.bad`;

const readable = (text: string) => text.replace(/(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d\.\d+)/, '$1-$2-$3T$4:$5:$6Z');
