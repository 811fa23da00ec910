import { useId, useRef, useState } from 'react';
import { type ConfigValue, parseConfigList } from '../core/camera/config.ts';
import { focusDrive } from '../core/camera/drive.ts';
import { magnifier } from '../core/camera/magnify.ts';
import { bodyOf, candidates, type Proposal, proposeRoles, type Role, type RoleNames } from '../core/camera/roles.ts';
import { useCamera } from './camera.tsx';
import { NumberField, SelectField } from './fields.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.roles;
const BY_HAND = '';

interface Tried {
  list: ConfigValue[];
  proposals: Proposal[];
  names: RoleNames;
}

/** For a body that the table of dialects does not know: its list is pasted, a mapping tried, corrected, kept. */
export function RolesPanel() {
  const { settings, change } = useSettings();
  const { config } = useCamera();
  const id = useId();
  /** Read when it is wanted: a list is thousands of lines long. */
  const box = useRef<HTMLTextAreaElement>(null);
  const [problem, setProblem] = useState<string | null>(null);
  const [tried, setTried] = useState<Tried | null>(null);
  const [kept, setKept] = useState(false);

  const tryList = (list: ConfigValue[]) => {
    const proposals = proposeRoles(list);
    const names = Object.fromEntries(proposals.map(({ role, value }) => [role, value?.name ?? null]));
    setTried({ list, proposals, names });
    setProblem(null);
    setKept(false);
  };
  const tryText = () => {
    try {
      tryList(parseConfigList(box.current!.value));
    } catch (error) {
      setTried(null);
      setProblem((error as Error).message);
    }
  };
  const keep = () => {
    const body = bodyOf(tried!.list);
    const others = settings.bodyRoles.filter((known) => known.body !== body);
    void change({ bodyRoles: [...others, { body, names: tried!.names }] });
    setTried(null);
    box.current!.value = '';
    setKept(true);
  };
  const choose = (role: Role, name: string) =>
    setTried({ ...tried!, names: { ...tried!.names, [role]: name || null } });

  return (
    <section className="panel" aria-labelledby="roles-title">
      <h2 id="roles-title">{words.title}</h2>
      <p className="soft">{words.purpose}</p>
      <label htmlFor={id}>{words.paste}</label>
      <textarea ref={box} id={id} rows={3} spellCheck={false} />
      <div className="row">
        <button type="button" onClick={tryText}>
          {words.tryIt}
        </button>
        {config.length > 0 && (
          <button type="button" onClick={() => tryList([...config])}>
            {words.tryThis}
          </button>
        )}
      </div>
      {problem && <p role="alert">{problem}</p>}
      {tried && (
        <fieldset>
          <legend>{words.found(bodyOf(tried.list))}</legend>
          {tried.proposals.map(({ role, from }) => (
            <SelectField
              key={role}
              label={words.names[role]}
              hint={hintFor(role, from, tried)}
              value={tried.names[role] ?? BY_HAND}
              options={[
                { value: BY_HAND, label: words.byHand },
                ...candidates(role, tried.list).map(({ name, label, value }) => ({
                  value: name,
                  label: words.option(name, label, value),
                })),
              ]}
              onCommit={(name) => choose(role, name)}
            />
          ))}
          <button type="button" onClick={keep}>
            {words.keep}
          </button>
        </fieldset>
      )}
      {kept && <p role="status">{words.kept}</p>}
      {settings.bodyRoles.map(({ body }) => (
        <div className="row" key={body}>
          <span>{words.keptFor(body)}</span>
          <button
            type="button"
            onClick={() => change({ bodyRoles: settings.bodyRoles.filter((known) => known.body !== body) })}
          >
            {words.forget}
          </button>
        </div>
      ))}
      <NumberField
        label={words.travel}
        hint={words.travelHint}
        value={settings.motorTravelSteps}
        min={0}
        onCommit={(steps) => change({ motorTravelSteps: steps === null ? null : Math.max(1, Math.round(steps)) })}
      />
    </section>
  );
}

/** What to mind about the value taken for a role. */
function hintFor(role: Role, from: Proposal['from'], { list, names }: Tried): string | undefined {
  const value = list.find(({ name }) => name === names[role]);
  const isUnknown =
    value &&
    ((role === 'driveFocus' && !focusDrive(value)) || (role === 'magnify' && !magnifier({ magnify: value }, list)));
  if (isUnknown) return words.unknownForm;
  return from === 'label' ? words.guessed : undefined;
}
