import { useId } from 'react';
import {
  type Camera,
  COUNTRY_SKY_MAG,
  focusFigures,
  offsetFigures,
  skyFigures,
  trailFigures,
} from '../core/calculators.ts';
import { bodyInUse, type KitCamera } from '../core/kit/kit.ts';
import { picturesSkyMagnitude } from '../core/sky/targets.ts';
import { figure } from '../core/strings.ts';
import { type CalculatorSettings, calculatorSchema } from '../host/api.ts';
import { NumberField } from './fields.tsx';
import type { Plan } from './plan.ts';
import { useSessionState } from './session.ts';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.calculator;

/** What lens, sky and ring allow tonight: few things to type, the answers large. */
export function CalculatorPanel({ plan }: { plan: Plan | null }) {
  const id = useId();
  const { settings, change } = useSettings();
  const { calculator: typed, optics } = settings;
  const body = bodyInUse(settings);
  const { focalMm, fNumber } = optics;
  const pixelUm = body?.pixelUm ?? typed.pixelUm;
  const camera = focalMm !== null && fNumber !== null && pixelUm !== null ? { focalMm, fNumber, pixelUm } : null;
  // By day the model runs out below 0.
  const moonlit = plan && Math.max(0, picturesSkyMagnitude(plan.place, plan.sky));
  const skyMag = typed.skyMag ?? moonlit ?? COUNTRY_SKY_MAG;
  const set = (name: keyof CalculatorSettings, value: number | null) =>
    // An empty field goes back to the usual value.
    change({ calculator: calculatorSchema.parse({ ...typed, [name]: value ?? undefined }) });
  const field = (
    name: keyof CalculatorSettings,
    limits: { min: number } | { range: [number, number] },
    hint?: string,
  ) => (
    <NumberField
      label={words.fields[name]}
      hint={hint}
      value={typed[name]}
      {...limits}
      onCommit={(value) => set(name, value)}
    />
  );
  return (
    <section className="panel calculator" aria-labelledby={id}>
      <h2 id={id}>{words.title}</h2>
      {camera ? (
        <Answers camera={camera} body={body} skyMag={skyMag} />
      ) : (
        <p>{words.missing(focalMm === null || fNumber === null)}</p>
      )}
      <div className="pair">
        {!body && field('pixelUm', { min: 0 })}
        {field('blurPx', { min: 0 })}
        {field('exposureS', { min: 0 })}
        {field('iso', { min: 0 })}
        {field('skyMag', { range: [0, 30] }, words.skyHint(skyMag, typed.skyMag === null && moonlit !== null))}
      </div>
    </section>
  );
}

function Answers({ camera, body, skyMag }: { camera: Camera; body: KitCamera | null; skyMag: number }) {
  const { settings } = useSettings();
  const { blurPx, exposureS, iso, readNoiseE } = settings.calculator;
  const focus = focusFigures(camera, blurPx);
  const inMiddle = trailFigures(camera, { declinationDeg: 0, offAxisDeg: 0 }, blurPx);
  const inCorner = body && trailFigures(camera, { declinationDeg: 0, offAxisDeg: cornerDeg(camera, body) }, blurPx);
  const sky = skyFigures(camera, { skyMag, exposureS, iso, readNoiseE });
  return (
    <dl className="answers">
      <Answer what={words.sharpFrom} amount={figure(focus.nearestM, 'm')}>
        {words.sharpDetail(focus)}
      </Answer>
      <Answer what={words.trailAfter} amount={figure(inMiddle.longestExposureS, 's')}>
        {words.trailDetail(inCorner?.longestExposureS ?? null)}
      </Answer>
      <Answer what={words.skyLevel} amount={figure(sky.levelPercent, '%')}>
        {words.skyDetail(sky)}
      </Answer>
      <Now camera={camera} />
    </dl>
  );
}

/** What the latest reading means. */
function Now({ camera }: { camera: Camera }) {
  const aim = useSessionState(({ instruction }) => ('aim' in instruction ? instruction.aim : null));
  if (!aim || aim.distanceUm === null) return null;
  const side = aim.focused === 'behind' ? -1 : 1;
  const marks = aim.distanceMarks === null ? null : { marks: aim.distanceMarks, sigma: aim.distanceSigmaMarks ?? 0 };
  const figures = offsetFigures(camera, side * aim.distanceUm, marks);
  return (
    <Answer what={words.now} amount={figure(figures.blurPx, 'px')}>
      {words.nowDetail(figures, aim.focused !== null)}
    </Answer>
  );
}

function Answer({ what, amount, children }: { what: string; amount: string; children: string }) {
  return (
    <div>
      <dt>{what}</dt>
      <dd>
        <strong>{amount}</strong> {children}
      </dd>
    </div>
  );
}

/** From the middle of the picture to its corner, for a lens that keeps straight lines straight. */
function cornerDeg({ focalMm }: Camera, { pixelUm, widthPx, heightPx }: KitCamera): number {
  const halfMm = (Math.hypot(widthPx, heightPx) * pixelUm) / 2000;
  return (Math.atan(halfMm / focalMm) * 180) / Math.PI;
}
