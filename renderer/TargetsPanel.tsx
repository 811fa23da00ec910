import type { Target } from '../core/sky/targets.ts';
import { directionWords, liveViewWords, moonWords, remarksText, VERDICT_WORDS } from '../core/sky/words.ts';
import { useKeys } from './keys.ts';
import { isOffered, type Plan } from './plan.ts';
import { SkyChart } from './SkyChart.tsx';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.sky;

const STEP_MS = 600_000;
const SHOWN = 5;

/** Stars and planets to focus on, the best first, now or later this night. */
export function TargetsPanel({ plan, nowMs, onLook }: { plan: Plan; nowMs: number; onLook: (atMs: number) => void }) {
  const { settings, change } = useSettings();
  const { targets, atMs, live, night } = plan;
  const offered = targets.filter(isOffered);
  const refused = targets.filter(({ verdict, body }) => verdict === 'refused' && body.magnitude < 1);
  const chosen = chosenOf(settings.target, offered);
  const choose = (by: number) => {
    const list = offered.slice(0, SHOWN);
    const next = list[(list.findIndex(({ body }) => body.name === chosen) + by + list.length) % list.length];
    if (next) change({ target: next.body.name });
  };
  const untilMs = night.sunriseMs ?? night.toNoonMs;
  const look = (later: number) => {
    onLook(Math.min(untilMs, Math.max(nowMs, atMs + later)));
  };
  useKeys({
    ArrowUp: () => choose(-1),
    ArrowDown: () => choose(1),
    ArrowLeft: () => look(-3 * STEP_MS),
    ArrowRight: () => look(3 * STEP_MS),
  });
  return (
    <section className="panel targets" aria-labelledby="targets-title">
      <div className="row">
        <h2 id="targets-title">{words.targets}</h2>
        <span>
          <kbd>↑</kbd> <kbd>↓</kbd>
        </span>
        <output>{words.looked(atMs, atMs === nowMs)}</output>
      </div>
      <div className="slider">
        <kbd>←</kbd>
        <input
          type="range"
          aria-label={words.later}
          min={nowMs}
          max={Math.max(nowMs + STEP_MS, untilMs)}
          step={STEP_MS}
          value={atMs}
          aria-valuetext={words.looked(atMs, atMs === nowMs)}
          onChange={(event) => look(Number(event.target.value) - atMs)}
        />
        <kbd>→</kbd>
      </div>
      {offered.length === 0 && <p className="step">{words.none(plan.daylight)}</p>}
      <ol>
        {offered.slice(0, SHOWN).map((target) => (
          <li key={target.body.name}>
            <button
              type="button"
              aria-pressed={target.body.name === chosen}
              onClick={() => change({ target: target.body.name })}
            >
              <strong>{target.body.name}</strong>
              <span>{directionWords(target.body)}</span>
              <small>
                {[remarksText(target), words.until(plan, target), words.light(target)].filter(Boolean).join('; ')}
              </small>
            </button>
          </li>
        ))}
      </ol>
      {refused.map((target) => (
        <p key={target.body.name} className="refused">
          {target.body.name} {VERDICT_WORDS.refused}: {remarksText(target)}.
        </p>
      ))}
      <p className="soft">{live ? liveViewWords(live) : words.noLens}</p>
    </section>
  );
}

/** The chart, and the hours of the night. */
export function SkyPanel({ plan }: { plan: Plan }) {
  const { settings } = useSettings();
  const { night, moonlight, targets } = plan;
  const hours: [string, string][] = [
    [words.sun, words.sunDown(plan)],
    [words.twilight, words.twilights(plan)],
    [words.dark, words.darkness(plan)],
    [words.moon, `${moonWords(moonlight)}; ${words.moonHours(night.moonriseMs, night.moonsetMs)}`],
  ];
  return (
    <section className="panel" aria-labelledby="sky-title">
      <h2 id="sky-title">{words.title}</h2>
      <SkyChart plan={plan} chosen={chosenOf(settings.target, targets.filter(isOffered))} />
      <dl className="hours">
        {hours.map(([what, when]) => (
          <div key={what}>
            <dt>{what}</dt>
            <dd>{when}</dd>
          </div>
        ))}
      </dl>
    </section>
  );
}

/** The one chosen while it is offered, else the best. */
function chosenOf(name: string, offered: Target[]): string | null {
  return offered.find(({ body }) => body.name === name)?.body.name ?? offered[0]?.body.name ?? null;
}
