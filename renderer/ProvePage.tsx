import { type DragEvent, useEffect, useMemo, useState } from 'react';
import { compareShots } from '../core/stars/compare.ts';
import { comparisonWords, mapWords } from '../core/stars/words.ts';
import { api } from './api.ts';
import { useKeys } from './keys.ts';
import { StarMap } from './StarMap.tsx';
import { StarPairs } from './StarPairs.tsx';
import { type Shot, useSession, useSessionState } from './session.ts';
import { strings } from './strings.ts';
import { TestShotPanel } from './TestShotPanel.tsx';

const words = strings.prove;

/** Test shots: is what live view promised true in the photograph? With the mask its pattern is measured, without it the stars. */
export function ProvePage({ onBack }: { onBack: () => void }) {
  const session = useSession();
  const testShot = useSessionState((state) => state.testShot);
  const shots = useSessionState((state) => state.shots);
  const take = (file?: File) => void session.takeTestShot(file);
  const onDrop = (event: DragEvent) => {
    event.preventDefault();
    const [file] = event.dataTransfer.files;
    if (file) take(file);
  };
  const measured = testShot?.state === 'measured' ? testShot.result : null;
  // With neither pattern nor enough stars it matters more why there is no pattern.
  const showsStars = shots.length > 0 && (testShot === null || Boolean(measured?.stars?.map.fit));
  return (
    // biome-ignore lint/a11y/noStaticElementInteractions: a file can be dropped anywhere; the button does the same
    <div className="prove" onDragOver={(event) => event.preventDefault()} onDrop={onDrop}>
      {showsStars ? (
        <StarsPanel shots={shots} />
      ) : testShot ? (
        <TestShotPanel testShot={testShot} onBack={onBack} />
      ) : (
        <section className="panel instruction" aria-label={strings.testShot.label}>
          <h2>{strings.testShot.label}</h2>
          <p className="headline">{strings.testShot.noneYet}</p>
          {words.invite.map((line) => (
            <p key={line} className="step">
              {line}
            </p>
          ))}
        </section>
      )}
      <Controls onTake={take} busy={testShot?.state === 'taking'} />
    </div>
  );
}

function Controls({ onTake, busy }: { onTake: (file?: File) => void; busy: boolean }) {
  const mask = useSimulatedMask();
  useKeys({ p: () => !busy && onTake(), ...(mask && { r: mask.toggle }) });
  return (
    <div className="controls" role="toolbar" aria-label={strings.controls.label}>
      <button type="button" disabled={busy} onClick={() => onTake()}>
        <kbd>P</kbd> {strings.testShot.take}
      </button>
      <label className="button file">
        {words.open}
        <input
          type="file"
          onChange={({ target }) => {
            if (target.files?.[0]) onTake(target.files[0]);
            target.value = '';
          }}
        />
      </label>
      {mask && (
        <button type="button" aria-pressed={!mask.isOn} onClick={mask.toggle}>
          <kbd>R</kbd> {words.maskOff}
        </button>
      )}
    </div>
  );
}

const ASK_AGAIN_MS = 1000;

/** The simulated camera's mask, to rehearse with; null with a real camera. */
function useSimulatedMask(): { isOn: boolean; toggle: () => void } | null {
  const simulated = useSessionState(({ camera }) => camera.name === 'sim' && camera.state === 'running');
  const [isOn, setIsOn] = useState<boolean | null>(null);
  useEffect(() => {
    setIsOn(null);
    if (!simulated) return;
    let timer: ReturnType<typeof setTimeout> | undefined;
    // A camera that has just come may be busy still.
    const read = () =>
      api.config().then(
        (config) => setIsOn(config.find(({ name }) => name === 'mask')?.value !== 'Off'),
        () => {
          timer = setTimeout(read, ASK_AGAIN_MS);
        },
      );
    void read();
    return () => clearTimeout(timer);
  }, [simulated]);
  if (isOn === null) return null;
  // Shown once it is so: a shot asked for in the meantime could still come with the mask as it was.
  const toggle = () =>
    void api.setConfig('mask', isOn ? 'Off' : 'On').then(
      () => setIsOn(!isOn),
      () => {},
    );
  return { isOn, toggle };
}

const ZOOMS = [1, 3, 6];

/** Stars of a shot, and what has changed since another one. */
function StarsPanel({ shots }: { shots: Shot[] }) {
  const [shownId, setShownId] = useState<number | null>(null);
  const [beforeId, setBeforeId] = useState<number | null>(null);
  const [zoom, setZoom] = useState(ZOOMS[0]);
  const newest = shots[0].id;
  // A new shot is what is to be seen.
  useEffect(() => setShownId(null), [newest]);
  const index = Math.max(
    0,
    shots.findIndex(({ id }) => id === shownId),
  );
  const shown = shots[index];
  const before = shots.find(({ id }) => id === beforeId && id !== shown.id) ?? shots[index + 1] ?? null;
  const comparison = useMemo(() => before && compareShots(before.list, shown.list), [before, shown]);
  const verdict = comparison && comparisonWords(comparison);
  const field = useMemo(() => mapWords(shown.map), [shown]);
  const step = (by: number) => setShownId(shots[Math.min(shots.length - 1, Math.max(0, index + by))].id);
  const nextZoom = () => setZoom(ZOOMS[(ZOOMS.indexOf(zoom) + 1) % ZOOMS.length]);
  useKeys({
    ArrowLeft: () => step(1),
    ArrowRight: () => step(-1),
    b: () => setBeforeId(shown.id),
    '+': nextZoom,
    '=': nextZoom,
  });
  return (
    <>
      <section className="panel instruction" aria-label={words.label}>
        <h2>{words.shot(shown.header, index === 0)}</h2>
        <p className="headline" role="status">
          {verdict && comparison?.verdict !== 'same' ? verdict.headline : field.headline}
        </p>
        {verdict && (
          <p className="step">
            {comparison?.verdict === 'same' ? `${verdict.headline}. ` : ''}
            {verdict.lines[0]}
          </p>
        )}
        {verdict && comparison?.verdict !== 'same' && <p className="step">{field.headline}.</p>}
        {field.lines.map((line) => (
          <p key={line} className="step">
            {line}
          </p>
        ))}
        <p className="step soft">{words.counted(shown.map, before?.map ?? null)}</p>
        <div className="row">
          <button type="button" disabled={index === shots.length - 1} onClick={() => step(1)}>
            <kbd>←</kbd> {words.earlier}
          </button>
          <button type="button" disabled={index === 0} onClick={() => step(-1)}>
            <kbd>→</kbd> {words.later}
          </button>
          <button type="button" aria-pressed={beforeId === shown.id} onClick={() => setBeforeId(shown.id)}>
            <kbd>B</kbd> {words.keepBefore}
          </button>
        </div>
      </section>
      <section className="panel star-field" aria-label={words.fieldLabel}>
        <StarMap map={shown.map} />
        <div className="row">
          <h2>{before ? words.pairs(before.header) : words.starsAlone}</h2>
          <button type="button" onClick={nextZoom}>
            <kbd>+</kbd> {words.zoom(zoom)}
          </button>
        </div>
        <StarPairs before={before} after={shown} comparison={comparison} zoom={zoom} />
      </section>
    </>
  );
}
