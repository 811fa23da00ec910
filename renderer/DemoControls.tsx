import { useEffect, useId, useRef, useState } from 'react';
import type { ConfigValue } from '../host/api.ts';
import { api } from './api.ts';
import { useCamera } from './camera.tsx';
import { useKeys } from './keys.ts';
import { useSessionState } from './session.ts';
import { strings } from './strings.ts';

/** Part of the ring's range that one arrow key turns it, and with Shift. */
const FINE_STEP = 1 / 1000;
const COARSE_STEP = 1 / 100;

/** The world is read again this often. */
const REFRESH_MS = 1500;

const byName = (config: ConfigValue[], name: string) => config.find((value) => value.name === name);

/** The simulated camera's ring, zoom, temperature and magnification, to rehearse an evening at the desk. */
export function DemoControls() {
  const simulated = useSessionState(({ camera }) => camera.name === 'sim' && camera.state === 'running');
  const { look } = useCamera();
  const [config, setConfig] = useState<ConfigValue[]>([]);
  const [problem, setProblem] = useState<string | null>(null);
  /** When something was last set here. */
  const setMs = useRef(Number.NEGATIVE_INFINITY);
  const sending = useRef(Promise.resolve());

  // The evening goes on by itself (it gets colder); what was set here shows at once and is not overtaken.
  useEffect(() => {
    if (!simulated) return;
    const read = async () => {
      if (performance.now() - setMs.current < REFRESH_MS) return;
      const values = await api.config().catch(() => null);
      if (values && performance.now() - setMs.current > REFRESH_MS) setConfig(values);
    };
    void read();
    const timer = setInterval(read, REFRESH_MS);
    return () => clearInterval(timer);
  }, [simulated]);

  const set = (name: string, value: string) => {
    setMs.current = performance.now();
    setConfig(config.map((old) => (old.name === name ? { ...old, value } : old)));
    // One after the other, so that an older value never arrives after a newer one.
    sending.current = sending.current.then(() =>
      api.setConfig(name, value).then(
        () => setProblem(null),
        (error: Error) => setProblem(error.message),
      ),
    );
    return sending.current;
  };
  const ring = byName(config, 'ring');
  const turn = (part: number) => {
    if (!ring?.range) return;
    const { min, max } = ring.range;
    const value = Math.min(max, Math.max(min, Number(ring.value) + part * (max - min)));
    set('ring', value.toFixed(4));
  };
  /** What a real camera would report, too, is read again. */
  const setAndLook = (name: string) => (value: string) => void set(name, value).then(look);
  useKeys(
    simulated
      ? {
          ArrowLeft: () => turn(-FINE_STEP),
          ArrowRight: () => turn(FINE_STEP),
          'Shift+ArrowLeft': () => turn(-COARSE_STEP),
          'Shift+ArrowRight': () => turn(COARSE_STEP),
        }
      : {},
  );
  if (!simulated || !ring) return null;
  const temperature = byName(config, 'temperatureC');
  return (
    <section className="demo" aria-label={strings.demo.label}>
      <h2>{strings.demo.label}</h2>
      <Slider value={ring} label={strings.demo.ring} onChange={(value) => set('ring', value)} />
      {temperature && (
        <Slider value={temperature} label={strings.demo.temperature} onChange={(value) => set('temperatureC', value)} />
      )}
      <Choice value={byName(config, 'focalMm')} label={strings.demo.zoom} onChange={setAndLook('focalMm')} />
      <Choice
        value={byName(config, 'magnification')}
        label={strings.demo.times}
        name={strings.demo.magnification}
        onChange={setAndLook('magnification')}
      />
      {problem && <p role="alert">{problem}</p>}
    </section>
  );
}

interface Control {
  label: string;
  onChange: (value: string) => void;
}

function Slider({ value, label, onChange }: Control & { value: ConfigValue }) {
  const id = useId();
  const { min, max, step } = value.range!;
  return (
    <div className="slider">
      <label htmlFor={id}>{label}</label>
      <input
        id={id}
        type="range"
        min={min}
        max={max}
        step={step}
        value={value.value}
        onChange={(event) => onChange(event.target.value)}
      />
      <output htmlFor={id}>{strings.demo.value(Number(value.value))}</output>
    </div>
  );
}

/** @param name said instead of the label, where that is a mere sign */
function Choice({ value, label, name, onChange }: Control & { value: ConfigValue | undefined; name?: string }) {
  const id = useId();
  if (!value?.choices) return null;
  return (
    <div className="choice">
      <label htmlFor={id}>{label}</label>
      <select id={id} aria-label={name} value={value.value} onChange={(event) => onChange(event.target.value)}>
        {value.choices.map((choice) => (
          <option key={choice}>{choice}</option>
        ))}
      </select>
    </div>
  );
}
