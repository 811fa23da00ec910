import { copyFile, open, readFile, rename } from 'node:fs/promises';
import { dirname } from 'node:path';
import { firstIssue } from '../../core/notebook/entry.ts';
import { type Settings, settingsSchema } from '../api.ts';
import { makeFolder } from '../datafolder.ts';
import { asidePath, backupsOf, isBackupDue, newBackupPath } from '../notebook/backups.ts';

/** The settings could not be taken or kept; one line for the user. */
export class SettingsError extends Error {
  override name = 'SettingsError';
  readonly isUsersFault: boolean;
  constructor(message: string, isUsersFault: boolean) {
    super(message);
    this.isUsersFault = isUsersFault;
  }
}

/** The settings document on disk: read once, written whole and at once, never half. */
export class SettingsFile {
  readonly path: string;
  /** Set when the file could not be used and was put aside. */
  readonly warning: string | null;
  #settings: Settings;
  #writing: Promise<void> = Promise.resolve();

  private constructor(path: string, settings: Settings, warning: string | null) {
    this.path = path;
    this.#settings = settings;
    this.warning = warning;
  }

  /**
   * A file that is not valid is renamed, not overwritten; the newest sound backup serves then, without one the
   * defaults. A file that lacks what this version has is backed up before it is written anew.
   */
  static async open(path: string): Promise<SettingsFile> {
    const text = await readFile(path, 'utf8').catch((error: NodeJS.ErrnoException) => {
      if (error.code === 'ENOENT') return null;
      throw new SettingsError(`the settings ${path} cannot be read (${error.code}); check its permissions`, false);
    });
    if (text === null) return new SettingsFile(path, settingsSchema.parse({}), null);
    const settings = parse(text);
    if (settings) {
      const file = new SettingsFile(path, settings, null);
      const isOlder = JSON.stringify(JSON.parse(text)) !== JSON.stringify(settings);
      if (isOlder || isBackupDue(path, [path])) await file.backup();
      return file;
    }
    const aside = asidePath(path);
    await rename(path, aside);
    for (const backup of backupsOf(path)) {
      const known = parse(await readFile(backup.path, 'utf8').catch(() => ''));
      const day = backup.timeUtc.slice(0, 10);
      const warning = `the settings were not valid; those of ${day} serve. The old file is ${aside}`;
      if (known) return new SettingsFile(path, known, warning);
    }
    const warning = `the settings were not valid and start afresh; the old file is ${aside}`;
    return new SettingsFile(path, settingsSchema.parse({}), warning);
  }

  /** Copies the file as it stands on the disk; nothing where there is none yet. */
  async backup(): Promise<void> {
    await copyFile(this.path, newBackupPath(this.path)).catch((error: NodeJS.ErrnoException) => {
      if (error.code === 'ENOENT') return;
      throw new SettingsError(`the settings could not be backed up (${error.code}); check disk and permissions`, false);
    });
  }

  get(): Settings {
    return this.#settings;
  }

  /** With what is being written: a page that comes anew must not read what its last change has made old. */
  async newest(): Promise<Settings> {
    await this.#writing.catch(() => {});
    return this.#settings;
  }

  /** Takes a whole document and writes it to the disk. @throws SettingsError */
  async set(document: unknown): Promise<Settings> {
    const result = settingsSchema.safeParse(document);
    if (!result.success) throw new SettingsError(`the settings were not taken: ${firstIssue(result.error)}`, true);
    // One write after the other, so that the last one wins.
    this.#writing = this.#writing
      .catch(() => {})
      .then(async () => {
        await writeWhole(this.path, JSON.stringify(result.data, null, 2));
        this.#settings = result.data;
      });
    await this.#writing.catch((error: NodeJS.ErrnoException) => {
      throw new SettingsError(
        `the settings could not be written to ${this.path} (${error.code}); check disk and permissions`,
        false,
      );
    });
    return result.data;
  }
}

function parse(text: string): Settings | null {
  try {
    return settingsSchema.parse(JSON.parse(text));
  } catch {
    return null;
  }
}

/** Writes beside the file, flushes, then renames over it: a crash leaves the old or the new text. */
async function writeWhole(path: string, text: string): Promise<void> {
  makeFolder(dirname(path));
  const beside = `${path}.new`;
  const file = await open(beside, 'w', 0o600);
  try {
    await file.writeFile(text);
    await file.sync();
  } finally {
    await file.close();
  }
  await rename(beside, path);
}
