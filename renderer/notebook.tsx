/** The notebook as the screen has it: read once, and again after each change. */
import { createContext, type ReactNode, useCallback, useContext, useEffect, useMemo, useState } from 'react';
import { lensInUse } from '../core/kit/kit.ts';
import { type RingMemory, ringMemory } from '../core/notebook/memory.ts';
import type { Entry, ImportResult, NewEntry, NotebookState } from '../host/api.ts';
import { api } from './api.ts';
import { useSettings } from './settings.ts';

export interface NotebookAccess {
  /** Newest first; null until read. */
  entries: readonly Entry[] | null;
  /** Whether it can be written to, and if not, why. */
  state: NotebookState;
  /** What it teaches of the lens in use. */
  memory: RingMemory | null;
  /** Each resolves when the entries are read again. @throws Error with one line */
  add(draft: NewEntry): Promise<void>;
  /** Also puts back one that was taken out. */
  change(entry: Entry): Promise<void>;
  remove(id: string): Promise<void>;
  takeOver(text: string): Promise<ImportResult>;
  restore(): Promise<void>;
}

const NotebookContext = createContext<NotebookAccess | null>(null);

export function useNotebook(): NotebookAccess {
  return useContext(NotebookContext)!;
}

export function NotebookProvider({ children }: { children: ReactNode }) {
  const { settings } = useSettings();
  const { kit, lensName } = settings;
  const [entries, setEntries] = useState<readonly Entry[] | null>(null);
  const [state, setState] = useState<NotebookState>({ problem: null, mayRestore: false });

  const load = useCallback(async () => {
    setEntries(await api.entries());
    setState(await api.notebook());
  }, []);
  useEffect(() => {
    load().catch((error: Error) => setState({ problem: error.message, mayRestore: false }));
  }, [load]);

  const memory = useMemo(
    () => (entries ? ringMemory(entries, lensName, lensInUse({ kit, lensName })) : null),
    [entries, kit, lensName],
  );
  const then = async <T,>(done: Promise<T>): Promise<T> => {
    const result = await done;
    await load();
    return result;
  };
  const access: NotebookAccess = {
    entries,
    state,
    memory,
    add: async (draft) => void (await then(api.addEntry(draft))),
    change: async (entry) => void (await then(api.changeEntry(entry.id, entry))),
    remove: async (id) => void (await then(api.removeEntry(id))),
    takeOver: (text) => then(api.takeOver(text)),
    restore: async () => void (await then(api.restoreNotebook())),
  };
  return <NotebookContext value={access}>{children}</NotebookContext>;
}
