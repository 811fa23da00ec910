import { bodyInUse, freeName, type KitCamera } from '../core/kit/kit.ts';
import { CAMERA_PRESETS } from '../core/kit/presets.ts';
import { NumberField, TextField } from './fields.tsx';
import { KitRow } from './KitRow.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.kit;

/** The camera body's sensor and live view, for what the camera at the cable does not tell. */
export function BodySettings() {
  const { settings, change } = useSettings();
  const { kit, body } = settings;
  const camera = bodyInUse(settings);
  const add = (added: KitCamera) => {
    const named = { ...added, name: freeName(kit.cameras, added.name) };
    change({ body: named.name, kit: { ...kit, cameras: [...kit.cameras, named] } });
  };
  return (
    <section className="panel" aria-labelledby="body-title">
      <h2 id="body-title">{words.body}</h2>
      <KitRow
        list={kit.cameras}
        inUse={body}
        presets={CAMERA_PRESETS}
        onUse={(name) => change({ body: name })}
        onAdd={add}
        onRemove={() => change({ body: '', kit: { ...kit, cameras: kit.cameras.filter(({ name }) => name !== body) } })}
      />
      {camera && <BodyInKit key={camera.name} camera={camera} />}
    </section>
  );
}

function BodyInKit({ camera }: { camera: KitCamera }) {
  const { settings, change } = useSettings();
  const { kit } = settings;
  const set = (patch: Partial<KitCamera>) =>
    change({
      body: patch.name ?? camera.name,
      kit: { ...kit, cameras: kit.cameras.map((old) => (old === camera ? { ...camera, ...patch } : old)) },
    });
  const whole = (commit: (value: number) => void) => (value: number | null) =>
    value !== null && Number.isInteger(value) && commit(value);
  const setMode = (magnification: number, widthPx: number) =>
    set({
      liveModes: camera.liveModes.map((old) => (old.magnification === magnification ? { ...old, widthPx } : old)),
    });
  return (
    <>
      <TextField
        label={strings.settings.lensName}
        value={camera.name}
        onCommit={(name) => name && set({ name: freeName(kit.cameras, name) })}
      />
      <div className="pair">
        <NumberField
          label={words.pixelUm}
          value={camera.pixelUm}
          min={0}
          onCommit={(pixelUm) => pixelUm !== null && set({ pixelUm })}
        />
        <NumberField
          label={words.widthPx}
          value={camera.widthPx}
          min={0}
          onCommit={whole((widthPx) => set({ widthPx }))}
        />
        <NumberField
          label={words.heightPx}
          value={camera.heightPx}
          min={0}
          onCommit={whole((heightPx) => set({ heightPx }))}
        />
      </div>
      {camera.liveModes.map(({ magnification, widthPx }) => (
        <NumberField
          key={magnification}
          label={words.liveMode(magnification)}
          value={widthPx}
          min={0}
          onCommit={whole((value) => setMode(magnification, value))}
        />
      ))}
      <small className="soft">{words.liveHint}</small>
    </>
  );
}
