import { SelectField } from './fields.tsx';
import { KitSelect } from './KitPanel.tsx';
import { strings } from './strings.ts';

const words = strings.kit;

interface KitRowProps<T extends { name: string }> {
  list: readonly T[];
  /** Name of what is in use, empty for none. */
  inUse: string;
  presets: readonly T[];
  onUse: (name: string) => void;
  onAdd: (item: T) => void;
  /** Takes what is in use into the kit as it is set; absent where that makes no sense. */
  onKeep?: () => void;
  onRemove: () => void;
}

/** Which one is in use, and what the kit gains or loses. */
export function KitRow<T extends { name: string }>(props: KitRowProps<T>) {
  const { list, inUse, presets, onUse, onAdd, onKeep, onRemove } = props;
  const inKit = list.some(({ name }) => name === inUse);
  const add = (index: string) => {
    const preset = presets[Number(index)];
    if (index !== '' && preset) onAdd(preset);
  };
  return (
    <>
      <KitSelect label={words.inUse} list={list} inUse={inUse} onUse={onUse} />
      <SelectField
        label={words.add}
        value=""
        options={[
          { value: '', label: words.addChoose },
          ...presets.map(({ name }, index) => ({ value: String(index), label: name })),
        ]}
        onCommit={add}
      />
      {(inKit || onKeep) && (
        <div className="row">
          {!inKit && onKeep && (
            <button type="button" onClick={onKeep}>
              {words.keep}
            </button>
          )}
          {inKit && (
            <button type="button" onClick={onRemove}>
              {words.remove}
            </button>
          )}
        </div>
      )}
    </>
  );
}
