import { isRead } from '../core/camera/lens.ts';
import { freeName, type KitLens, lensInUse, renamedInKit, withLens } from '../core/kit/kit.ts';
import { LENS_PRESETS } from '../core/kit/presets.ts';
import { RING_UNITS, type RingUnit } from '../core/notebook/ring.ts';
import type { Settings } from '../host/api.ts';
import { NumberField, SelectField, TextField } from './fields.tsx';
import { KitRow } from './KitRow.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.settings;

/** The lens in use, and the lenses in the kit. */
export function LensSettings() {
  const { settings, change } = useSettings();
  const { optics, kit, lensName } = settings;
  const lens = lensInUse(settings);
  const set = (patch: Partial<Settings['optics']>) => change({ optics: { ...optics, ...patch } });
  const read = isRead(settings, settings.fromCamera);
  const told = (isTold: boolean) => (isTold ? words.readFromCamera : undefined);
  const add = (added: KitLens) => {
    const named = { ...added, name: freeName(kit.lenses, added.name) };
    const changed = { ...settings, kit: { ...kit, lenses: [...kit.lenses, named] } };
    change({ kit: changed.kit, ...withLens(changed, named.name) });
  };
  const rename = (name: string) => {
    // Another lens of the kit is put on, not given this one's name.
    if (kit.lenses.some((other) => other.name === name)) return change(withLens(settings, name));
    return change(
      lens && name ? { lensName: name, kit: renamedInKit(kit, 'lens', lensName, name) } : { lensName: name },
    );
  };
  const keep = () => {
    const { focalMm, fNumber } = optics;
    add({ ...LENS_PRESETS[0], name: lensName, focalMinMm: focalMm!, focalMaxMm: focalMm!, fNumber: fNumber! });
  };
  const canKeep = lensName !== '' && optics.focalMm !== null && optics.fNumber !== null;
  return (
    <section className="panel" aria-labelledby="lens-title">
      <h2 id="lens-title">{words.lens}</h2>
      <KitRow
        list={kit.lenses}
        inUse={lensName}
        presets={LENS_PRESETS}
        onUse={(name) => change(withLens(settings, name))}
        onAdd={add}
        onKeep={canKeep ? keep : undefined}
        onRemove={() => change({ kit: { ...kit, lenses: kit.lenses.filter(({ name }) => name !== lensName) } })}
      />
      <TextField label={words.lensName} hint={told(read.lensName)} value={lensName} onCommit={rename} />
      <div className="pair">
        <NumberField
          label={words.focalMm}
          hint={told(read.focalMm)}
          value={optics.focalMm}
          min={0}
          onCommit={(focalMm) => set({ focalMm })}
        />
        <NumberField
          label={words.fNumber}
          hint={told(read.fNumber)}
          value={optics.fNumber}
          min={0}
          onCommit={(fNumber) => set({ fNumber })}
        />
      </div>
      {lens && <LensInKit key={lens.name} lens={lens} />}
      <NumberField
        label={words.pixelUm}
        hint={words.pixelUmHint}
        value={optics.pixelUm}
        min={0}
        onCommit={(pixelUm) => set({ pixelUm })}
      />
    </section>
  );
}

/** What the kit knows of a lens beyond what is set at the moment: its range, and its ring. */
function LensInKit({ lens }: { lens: KitLens }) {
  const { settings, change } = useSettings();
  const { kit } = settings;
  const kitWords = strings.kit;
  const set = (patch: Partial<KitLens>) =>
    change({ kit: { ...kit, lenses: kit.lenses.map((old) => (old === lens ? { ...lens, ...patch } : old)) } });
  const setRing = (patch: Partial<KitLens['ring']>) => set({ ring: { ...lens.ring, ...patch } });
  const { ring } = lens;
  const needed = (commit: (value: number) => void) => (value: number | null) => value !== null && commit(value);
  return (
    <>
      <div className="pair">
        <NumberField
          label={kitWords.focalMinMm}
          value={lens.focalMinMm}
          min={0}
          onCommit={needed((mm) => set({ focalMinMm: mm, focalMaxMm: Math.max(mm, lens.focalMaxMm) }))}
        />
        <NumberField
          label={kitWords.focalMaxMm}
          value={lens.focalMaxMm}
          min={0}
          onCommit={needed((mm) => set({ focalMaxMm: mm, focalMinMm: Math.min(mm, lens.focalMinMm) }))}
        />
        <NumberField
          label={kitWords.widest}
          value={lens.fNumber}
          min={0}
          onCommit={needed((fNumber) => set({ fNumber }))}
        />
      </div>
      <div className="pair">
        <SelectField
          label={kitWords.ringUnit}
          value={ring.unit}
          options={(Object.keys(RING_UNITS) as RingUnit[]).map((unit) => ({
            value: unit,
            label: kitWords.ringUnits[unit],
          }))}
          onCommit={(unit) => setRing({ unit })}
        />
        <NumberField label={kitWords.ringFrom} value={ring.from} onCommit={(from) => setRing({ from })} />
        <NumberField label={kitWords.ringTo} value={ring.to} onCommit={(to) => setRing({ to })} />
      </div>
      <SelectField
        label={kitWords.rising}
        hint={kitWords.risingHint}
        value={ring.rising ?? ''}
        options={(['', 'clockwise', 'counter-clockwise'] as const).map((value) => ({
          value,
          label: kitWords.risings[value],
        }))}
        onCommit={(rising) => setRing({ rising: rising || null })}
      />
      <div className="pair">
        <NumberField
          label={kitWords.backlash}
          hint={kitWords.backlashHint}
          value={ring.backlash}
          range={[0, 1e6]}
          onCommit={(backlash) => setRing({ backlash })}
        />
        <NumberField
          label={kitWords.barrelDiameterMm}
          hint={kitWords.barrelHint}
          value={ring.barrelDiameterMm}
          min={0}
          onCommit={(barrelDiameterMm) => setRing({ barrelDiameterMm })}
        />
      </div>
    </>
  );
}
