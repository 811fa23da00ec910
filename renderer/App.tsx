import { useEffect, useMemo, useRef, useState } from 'react';
import { keptKit } from '../core/kit/kit.ts';
import type { Settings } from '../host/api.ts';
import { api } from './api.ts';
import { CameraProvider } from './camera.tsx';
import { EveningProvider } from './evening.tsx';
import { FocusPage } from './FocusPage.tsx';
import { HelpPage } from './HelpPage.tsx';
import { useKeys } from './keys.ts';
import { NextStep } from './NextStep.tsx';
import { NotebookPage } from './NotebookPage.tsx';
import { NotebookProvider } from './notebook.tsx';
import { PreparePage } from './PreparePage.tsx';
import { ProvePage } from './ProvePage.tsx';
import { RefocusPanel } from './RefocusPanel.tsx';
import { SettingsPage } from './SettingsPage.tsx';
import { StatusBar } from './StatusBar.tsx';
import { Session, SessionContext } from './session.ts';
import { type SettingsAccess, SettingsContext, screenOf } from './settings.ts';
import { useTone } from './sound.ts';
import { strings } from './strings.ts';

/** In the order of the keys 1 to 6; the first four are the course of an evening. */
const PAGES = ['prepare', 'focus', 'prove', 'notebook', 'settings', 'help'] as const;
export type Page = (typeof PAGES)[number];

export function App({ initial }: { initial: Settings }) {
  const [page, setPage] = useState<Page>('focus');
  const [calibrates, setCalibrates] = useState(false);
  const go = (to: Page, calibrates = false) => {
    setPage(to);
    setCalibrates(calibrates);
  };
  const [settings, setSettings] = useState(initial);
  const latest = useRef(initial);
  const [problem, setProblem] = useState<string | null>(null);
  const saving = useRef(Promise.resolve());
  const unsaved = useRef(0);
  const [session, setSession] = useState<Session | null>(null);

  useEffect(() => {
    const started = new Session(initial);
    setSession(started);
    return () => started.close();
  }, [initial]);

  // What was changed in the last moment before the window closes is kept, too.
  useEffect(() => {
    const save = () => {
      if (unsaved.current > 0) void api.saveSettings(latest.current, true).catch(() => {});
    };
    addEventListener('pagehide', save);
    return () => removeEventListener('pagehide', save);
  }, []);

  const access = useMemo<SettingsAccess>(() => {
    const change = (patch: Partial<Settings>) => {
      // Two changes before the next drawing must not undo each other.
      const patched = { ...latest.current, ...patch };
      const changed = { ...patched, kit: keptKit(patched) };
      latest.current = changed;
      setSettings(changed);
      // One after the other, so that an older document never arrives after a newer one.
      unsaved.current++;
      saving.current = saving.current
        .then(() =>
          api.saveSettings(changed).then(
            () => setProblem(null),
            (error: Error) => setProblem(error.message),
          ),
        )
        .finally(() => unsaved.current--);
      return saving.current;
    };
    return {
      settings,
      change,
      changeScreen: (patch) => void change({ screen: { ...screenOf(latest.current), ...patch } }),
    };
  }, [settings]);

  const { brightness, textSize, tint, sound } = screenOf(settings);
  useEffect(() => {
    if (session) {
      session.settings = settings;
      session.tint = tint;
    }
    const { style } = document.documentElement;
    style.setProperty('--level', `${brightness}%`);
    style.setProperty('--text', String(textSize / 100));
  }, [session, settings, tint, brightness, textSize]);
  useTone(session, sound);

  useKeys({
    ...Object.fromEntries(PAGES.map((name, index) => [index + 1, () => go(name)])),
    Escape: () => go('focus'),
  });

  if (!session) return null;
  return (
    <SettingsContext value={access}>
      <SessionContext value={session}>
        <CameraProvider>
          <NotebookProvider>
            <EveningProvider>
              <div className="app">
                <header className="bar">
                  <h1>{strings.name}</h1>
                  <StatusBar />
                  <nav aria-label={strings.nav.label}>
                    {PAGES.map((name, index) => (
                      <button
                        key={name}
                        type="button"
                        aria-current={page === name ? 'page' : undefined}
                        onClick={() => go(name)}
                      >
                        <kbd>{index + 1}</kbd> {strings.nav[name]}
                      </button>
                    ))}
                  </nav>
                </header>
                {problem && (
                  <p className="problem" role="alert">
                    {problem}
                  </p>
                )}
                <RefocusPanel onAgain={() => go('focus')} />
                <main>
                  {page === 'prepare' && <PreparePage />}
                  {page === 'focus' && (
                    <FocusPage calibrates={calibrates} onProve={() => go('prove')} onLog={() => go('notebook')} />
                  )}
                  {page === 'prove' && <ProvePage onBack={() => go('focus')} />}
                  {page === 'notebook' && <NotebookPage />}
                  {page === 'settings' && <SettingsPage onCalibrate={() => go('focus', true)} />}
                  {page === 'help' && <HelpPage />}
                </main>
                <NextStep page={page} onGo={go} />
              </div>
            </EveningProvider>
          </NotebookProvider>
        </CameraProvider>
      </SessionContext>
    </SettingsContext>
  );
}
