import { bodyInUse, lensInUse, withLens, withMask } from '../core/kit/kit.ts';
import { NumberField, SelectField } from './fields.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.kit;

/** What is on the tripod tonight, chosen from the kit; the rest of it is in Settings. */
export function KitPanel() {
  const { settings, change } = useSettings();
  const { kit, optics } = settings;
  const lens = lensInUse(settings);
  const isZoom = !lens || lens.focalMinMm < lens.focalMaxMm;
  return (
    <section className="panel kit" aria-labelledby="kit-title">
      <h2 id="kit-title">{words.title}</h2>
      <KitSelect
        label={words.body}
        list={kit.cameras}
        inUse={bodyInUse(settings)?.name ?? ''}
        onUse={(body) => change({ body })}
      />
      <KitSelect
        label={words.lens}
        list={kit.lenses}
        inUse={settings.lensName}
        onUse={(name) => change(withLens(settings, name))}
      />
      <KitSelect
        label={words.mask}
        list={kit.masks}
        inUse={settings.mask.name}
        onUse={(name) => change(withMask(settings, name))}
      />
      <div className="pair">
        {isZoom && (
          <NumberField
            label={words.focalMm}
            value={optics.focalMm}
            {...(lens ? { range: [lens.focalMinMm, lens.focalMaxMm] as [number, number] } : { min: 0 })}
            onCommit={(focalMm) => change({ optics: { ...optics, focalMm } })}
          />
        )}
        <NumberField
          label={words.fNumber}
          value={optics.fNumber}
          min={0}
          onCommit={(fNumber) => change({ optics: { ...optics, fNumber } })}
        />
      </div>
    </section>
  );
}

interface KitSelectProps {
  label: string;
  list: readonly { name: string }[];
  /** A name the list does not have is shown as well; empty for none. */
  inUse: string;
  onUse: (name: string) => void;
}

/** Chooses by name what is in use. */
export function KitSelect({ label, list, inUse, onUse }: KitSelectProps) {
  const options = list.map(({ name }) => ({ value: name, label: name }));
  if (!list.some(({ name }) => name === inUse)) options.unshift({ value: inUse, label: words.notInKit(inUse) });
  return <SelectField label={label} value={inUse} options={options} onCommit={onUse} />;
}
