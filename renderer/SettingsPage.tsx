import { useEffect, useState } from 'react';
import { freeName, type KitMask, renamedInKit, withMask } from '../core/kit/kit.ts';
import { MASK_PRESETS } from '../core/kit/presets.ts';
import { DEFAULT_MASK, offsetSlope, ZONE_LAYOUTS } from '../core/optics/mask.ts';
import type { CameraInfo, Settings } from '../host/api.ts';
import { api } from './api.ts';
import { BodySettings } from './BodySettings.tsx';
import { NumberField, SelectField, TextField } from './fields.tsx';
import { KitRow } from './KitRow.tsx';
import { useKeys } from './keys.ts';
import { LensSettings } from './LensSettings.tsx';
import { MaskDrawing } from './MaskDrawing.tsx';
import { RecordingSettings } from './RecordingSettings.tsx';
import { RolesPanel } from './RolesPanel.tsx';
import { useSessionState } from './session.ts';
import { calibrationOf, screenOf, TEXT_SIZES, useSettings } from './settings.ts';
import { strings } from './strings.ts';
import { videoInputs } from './videoInput.ts';

const words = strings.settings;

export function SettingsPage({ onCalibrate }: { onCalibrate: () => void }) {
  useKeys({ c: onCalibrate });
  return (
    <div className="page">
      <div className="settings">
        <CameraSettings />
        <BodySettings />
        <LensSettings />
        <MaskSettings />
        <RingSettings onCalibrate={onCalibrate} />
        <RolesPanel />
        <RecordingSettings onReplay={useCameraChoice()} />
        <ScreenSettings />
      </div>
    </div>
  );
}

const NO_LENS: Partial<Settings> = {
  lensName: '',
  optics: { focalMm: null, fNumber: null, pixelUm: null },
  calibration: null,
};

function useCameraChoice(): (camera: string) => Promise<void> {
  const { settings, change } = useSettings();
  return async (camera) => {
    // What was rehearsed with does not pass for the real lens. A recording brings its own.
    const isReal = camera !== 'sim' && !camera.startsWith('replay:');
    const rehearsed = isReal && settings.lensName === strings.demo.lens;
    await change(rehearsed ? { camera, ...NO_LENS } : { camera });
    await api.chooseCamera(camera);
  };
}

function CameraSettings() {
  const { settings } = useSettings();
  const [found, setFound] = useState<CameraInfo[]>([]);
  const [problem, setProblem] = useState<string | null>(null);
  const say = (error: Error) => setProblem(error.message);
  const look = async (askForVideo = false) => {
    setProblem(null);
    const inputs = await videoInputs(askForVideo).catch((error: Error) => {
      say(error);
      return [];
    });
    if (askForVideo && inputs.length === 0) setProblem((before) => before ?? words.noVideo);
    await api.cameras().then((cameras) => setFound([...cameras, ...inputs]), say);
  };
  const plugged = useSessionState((state) => state.plugged);
  useEffect(() => void look(), [plugged]);
  useEffect(() => {
    const again = () => void look();
    navigator.mediaDevices.addEventListener('devicechange', again);
    return () => navigator.mediaDevices.removeEventListener('devicechange', again);
  }, []);

  const chooseCamera = useCameraChoice();
  const choose = (camera: string) => {
    setProblem(null);
    chooseCamera(camera).catch(say);
  };
  const known = found.some(({ name }) => name === settings.camera);
  const options = [...(known ? [] : [{ name: settings.camera, label: settings.camera }]), ...found];
  return (
    <section className="panel" aria-labelledby="camera-title">
      <h2 id="camera-title">{words.camera}</h2>
      <SelectField
        label={words.cameraChoice}
        value={settings.camera}
        options={options.map(({ name, label }) => ({ value: name, label }))}
        onCommit={choose}
      />
      <TextField
        label={words.cameraName}
        hint={words.cameraNameHint}
        value={settings.camera}
        onCommit={(name) => name && choose(name)}
      />
      <div className="row">
        <button type="button" onClick={() => void look()}>
          {words.lookAgain}
        </button>
        <button type="button" onClick={() => void look(true)}>
          {words.lookForVideo}
        </button>
      </div>
      {problem && <p role="alert">{problem}</p>}
    </section>
  );
}

function MaskSettings() {
  const { settings, change } = useSettings();
  const [problem, setProblem] = useState<string | null>(null);
  const { mask } = settings;
  const set = (patch: Partial<Settings['mask']>) => {
    const changed = { ...mask, ...patch };
    try {
      offsetSlope(changed, 20);
    } catch (error) {
      setProblem((error as Error).message);
      return;
    }
    setProblem(null);
    change({ mask: changed });
  };
  const { kit } = settings;
  const add = (added: KitMask) => {
    const named = { ...added, name: freeName(kit.masks, added.name) };
    const changed = { ...settings, kit: { ...kit, masks: [...kit.masks, named] } };
    change({ kit: changed.kit, ...withMask(changed, named.name) });
  };
  const rename = (typed: string) => {
    const others = kit.masks.filter(({ name }) => name !== mask.name);
    const name = freeName(others, typed || DEFAULT_MASK.name);
    change({ mask: { ...mask, name }, kit: renamedInKit(kit, 'mask', mask.name, name) });
  };
  return (
    <section className="panel" aria-labelledby="mask-title">
      <h2 id="mask-title">{words.mask}</h2>
      <KitRow
        list={kit.masks}
        inUse={mask.name}
        presets={MASK_PRESETS}
        onUse={(name) => change(withMask(settings, name))}
        onAdd={add}
        onKeep={() => add(mask)}
        onRemove={() => change({ kit: { ...kit, masks: kit.masks.filter(({ name }) => name !== mask.name) } })}
      />
      <TextField label={words.maskName} value={mask.name} onCommit={rename} />
      <SelectField
        label={words.layout}
        value={mask.layout}
        options={ZONE_LAYOUTS.map((layout) => ({ value: layout, label: words.layouts[layout] }))}
        onCommit={(layout) => set({ layout })}
      />
      <NumberField
        label={words.pitchUm}
        hint={mask.learned ? strings.learnMask.learned(mask.learned) : words.pitchUmHint}
        value={mask.pitchUm}
        min={0}
        onCommit={(pitchUm) => set({ pitchUm, learned: null })}
      />
      <NumberField
        label={words.outerAngleDeg}
        hint={words.outerAngleHint}
        value={mask.outerAngleDeg}
        min={0}
        onCommit={(outerAngleDeg) => set({ outerAngleDeg, learned: null })}
      />
      <div className="pair">
        <NumberField
          label={words.dutyPercent}
          value={Math.round(1000 * mask.duty) / 10}
          range={[5, 95]}
          onCommit={(percent) => set({ duty: percent === null ? DEFAULT_MASK.duty : percent / 100 })}
        />
        <NumberField
          label={words.ribPercent}
          value={Math.round(1000 * mask.ribD) / 10}
          range={[0, 30]}
          onCommit={(percent) => set({ ribD: (percent ?? 0) / 100 })}
        />
      </div>
      <fieldset>
        <legend>{words.handedness}</legend>
        <div className="row">
          {([1, -1] as const).map((side) => (
            <button
              key={side}
              type="button"
              className="drawn"
              aria-pressed={mask.handedness === side}
              onClick={() => set({ handedness: side })}
            >
              <MaskDrawing mask={mask} handedness={side} />
              {side === 1 ? words.asDrawn : words.mirrored}
            </button>
          ))}
          <button type="button" aria-pressed={mask.handedness === null} onClick={() => set({ handedness: null })}>
            {words.notKnown}
          </button>
        </div>
        <small className="soft">{words.handednessHint}</small>
      </fieldset>
      <SelectField
        label={words.orientation}
        value={`${mask.orientation ?? 0}`}
        options={(['0', '1', '-1'] as const).map((value) => ({ value, label: words.orientations[value] }))}
        onCommit={(value) => set({ orientation: value === '0' ? null : value === '1' ? 1 : -1 })}
      />
      {problem && <p role="alert">{problem}</p>}
    </section>
  );
}

function RingSettings({ onCalibrate }: { onCalibrate: () => void }) {
  const { settings, change } = useSettings();
  const calibration = calibrationOf(settings);
  return (
    <section className="panel" aria-labelledby="ring-title">
      <h2 id="ring-title">{words.ring}</h2>
      <p>{calibration ? words.calibrated(calibration) : words.notCalibrated}</p>
      <div className="row">
        <button type="button" onClick={onCalibrate}>
          <kbd>C</kbd> {words.calibrate}
        </button>
        {calibration && (
          <button type="button" onClick={() => change({ calibration: null })}>
            {words.forget}
          </button>
        )}
      </div>
      <NumberField
        label={words.steadySeconds}
        value={settings.steadySeconds}
        min={0}
        onCommit={(seconds) => change({ steadySeconds: seconds ?? 3 })}
      />
    </section>
  );
}

function ScreenSettings() {
  const { settings, changeScreen } = useSettings();
  const screen = screenOf(settings);
  return (
    <section className="panel" aria-labelledby="screen-title">
      <h2 id="screen-title">{words.screen}</h2>
      <SelectField
        label={words.textSize}
        value={String(screen.textSize)}
        options={TEXT_SIZES.map((size) => ({ value: String(size), label: `${size} %` }))}
        onCommit={(size) => changeScreen({ textSize: Number(size) })}
      />
      <label className="check">
        <input type="checkbox" checked={screen.tint} onChange={() => changeScreen({ tint: !screen.tint })} />
        {words.tint}
      </label>
      <label className="check">
        <input type="checkbox" checked={screen.sound} onChange={() => changeScreen({ sound: !screen.sound })} />
        {words.sound}
      </label>
    </section>
  );
}
