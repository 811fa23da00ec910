import { useEffect, useState } from 'react';
import type { ConfigValue } from '../host/api.ts';
import { api } from './api.ts';
import { SelectField } from './fields.tsx';
import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

const words = strings.replay;
const REFRESH_MS = 1000;

/** A recording being replayed: how fast, held, frame by frame. */
export function ReplayControls() {
  const replaying = useSessionState(({ camera }) => camera.name.startsWith('replay:') && camera.state === 'running');
  const [config, setConfig] = useState<ConfigValue[]>([]);
  const [problem, setProblem] = useState<string | null>(null);
  useEffect(() => {
    if (!replaying) return;
    const read = () => api.config().then(setConfig, () => {});
    void read();
    const timer = setInterval(read, REFRESH_MS);
    return () => clearInterval(timer);
  }, [replaying]);

  const byName = (name: string) => config.find((value) => value.name === name);
  const set = (name: string, value: string) => {
    setConfig(config.map((old) => (old.name === name ? { ...old, value } : old)));
    api.setConfig(name, value).then(
      () => setProblem(null),
      (error: Error) => setProblem(error.message),
    );
  };
  const speed = byName('speed');
  if (!replaying || !speed) return null;
  const paused = byName('paused')?.value === '1';
  return (
    <section className="demo" aria-label={words.label}>
      <h2>{words.label}</h2>
      <p>{words.position(Number(byName('positionS')?.value), Number(byName('lengthS')?.value))}</p>
      <SelectField
        label={words.speed}
        value={speed.value}
        options={(speed.choices ?? []).map((value) => ({ value, label: words.speeds(value) }))}
        onCommit={(value) => set('speed', value)}
      />
      <div className="row">
        <button type="button" aria-pressed={paused} onClick={() => set('paused', paused ? '0' : '1')}>
          {words.hold}
        </button>
        <button type="button" disabled={!paused} onClick={() => set('step', '')}>
          {words.step}
        </button>
      </div>
      {problem && <p role="alert">{problem}</p>}
    </section>
  );
}
