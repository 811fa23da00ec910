import { useState } from 'react';
import { daylightWords, picturesWords, zoneWords } from '../core/sky/words.ts';
import { CalculatorPanel } from './CalculatorPanel.tsx';
import { FieldCardOnce } from './FieldCard.tsx';
import { KitPanel } from './KitPanel.tsx';
import { PlacePanel } from './PlacePanel.tsx';
import { useMinute, usePlan, useSun } from './plan.ts';
import { ReadinessPanel } from './ReadinessPanel.tsx';
import { StartPanel } from './StartPanel.tsx';
import { strings } from './strings.ts';
import { SkyPanel, TargetsPanel } from './TargetsPanel.tsx';

/** Before the ring is touched: three columns of panels, the sky, where and when, what is in the bag. */
export function PreparePage() {
  const nowMs = useMinute();
  const [lookedMs, setLookedMs] = useState<number | null>(null);
  const plan = usePlan(lookedMs, nowMs);
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: what scrolls must be reachable by keyboard (WCAG 2.1.1)
    <section className="page prepare" aria-label={strings.nav.prepare} tabIndex={0}>
      <div className="stack">
        <FieldCardOnce />
        <SunCaution />
        <StartPanel />
        {plan && <TargetsPanel plan={plan} nowMs={nowMs} onLook={setLookedMs} />}
        <CalculatorPanel plan={plan} />
      </div>
      <div className="stack">
        {plan && <SkyPanel plan={plan} />}
        <PlacePanel />
      </div>
      <div className="stack">
        <KitPanel />
        <ReadinessPanel />
      </div>
    </section>
  );
}

/** What the hour means for eyes, sensor and shutter; without a place the general word. */
function SunCaution() {
  const now = useSun();
  const lines = now
    ? [
        daylightWords(now.daylight, now.sun),
        picturesWords(now.place, now.sun),
        zoneWords(now.place, -new Date().getTimezoneOffset()),
      ]
    : [`${strings.caution.sun} ${strings.sky.sunUnknown}`];
  return lines.filter(Boolean).map((line) => (
    <p key={line} className="panel warning">
      {line}
    </p>
  ));
}
