import { SUN_MARGIN_DEG } from '../core/sky/daylight.ts';
import { compassPoint } from '../core/sky/place.ts';
import { type SkyBody, skyAt } from '../core/sky/positions.ts';
import { type Label, placeLabels } from './labels.ts';
import { isOffered, type Plan } from './plan.ts';
import { strings } from './strings.ts';

const RADIUS = 100;
const MOON = 6;
const DEG = Math.PI / 180;
/** Altitude at which what is below the horizon is marked, outside the rim. */
const HIDDEN_DEG = -4;

/**
 * The sky as it hangs overhead: north up, east left, the zenith in the middle, the horizon the rim.
 * Distance from the middle is proportional to the angle from the zenith.
 */
function at(azimuthDeg: number, altitudeDeg: number): [number, number] {
  const away = (RADIUS * (90 - altitudeDeg)) / 90;
  return [-away * Math.sin(azimuthDeg * DEG), -away * Math.cos(azimuthDeg * DEG)];
}

const spot = ({ azimuthDeg, altitudeDeg }: SkyBody) => at(azimuthDeg, Math.max(HIDDEN_DEG, altitudeDeg));

/** Larger for brighter, chart units. */
const dotSize = (magnitude: number) => Math.min(3.4, Math.max(0.6, 2.6 - 0.7 * magnitude));

function labelOf(text: string, body: SkyBody, size = 9): Label {
  const [x, y] = spot(body);
  return { text, x, y, size };
}

/** Small chart to find a target by. */
export function SkyChart({ plan, chosen }: { plan: Plan; chosen: string | null }) {
  const { place, sky, targets, daylight } = plan;
  const words = strings.sky;
  const shown = targets.filter(({ body }) => body.altitudeDeg >= 0).map(({ body }) => body);
  const best = targets.filter(isOffered).slice(0, 4);
  const named = [
    ...targets.filter(({ body }) => body.name === chosen),
    ...best.filter(({ body }) => body.name !== chosen),
  ];
  const isMoonUp = sky.moon.altitudeDeg > 0;
  const labels = placeLabels([
    ...named.map(({ body }) => labelOf(body.name, body, body.name === chosen ? 11 : 9)),
    ...(isMoonUp ? [labelOf(words.moon, sky.moon)] : []),
    labelOf(words.sun, sky.sun),
  ]);
  return (
    <svg
      className="sky"
      viewBox="-118 -118 236 236"
      role="img"
      aria-label={words.chart(named.map(({ body }) => body.name))}
    >
      <circle className="ground" r={RADIUS} />
      <circle className="air" r={(RADIUS * (90 - place.horizonDeg)) / 90} />
      {[30, 60].map((altitudeDeg) => (
        <circle key={altitudeDeg} className="ring" r={(RADIUS * (90 - altitudeDeg)) / 90} />
      ))}
      {place.towardsDeg !== null && <Pictures azimuthDeg={place.towardsDeg} />}
      {[0, 90, 180, 270].map((azimuthDeg) => {
        const [x, y] = at(azimuthDeg, -10);
        return (
          <text key={azimuthDeg} x={x} y={y} className="point">
            {compassPoint(azimuthDeg)}
          </text>
        );
      })}
      {shown.map((body) => {
        const [x, y] = spot(body);
        return <circle key={body.name} className="star" cx={x} cy={y} r={dotSize(body.magnitude)} />;
      })}
      {chosen !== null && <Trail plan={plan} name={chosen} />}
      <Sun body={sky.sun} isUp={daylight === 'day'} />
      {isMoonUp && <Moon plan={plan} />}
      {named.map(({ body }) => {
        const [x, y] = spot(body);
        return <circle key={body.name} className={body.name === chosen ? 'chosen' : 'named'} cx={x} cy={y} r={5.5} />;
      })}
      {labels.map(({ text, x, y, size }) => (
        <text key={text} x={x} y={y} fontSize={size} className={text === chosen ? 'chosen' : undefined}>
          {text}
        </text>
      ))}
    </svg>
  );
}

/** Its way through the next three hours. */
function Trail({ plan: { place, atMs }, name }: { plan: Plan; name: string }) {
  const points = Array.from({ length: 7 }, (_, i) => {
    const { planets, stars } = skyAt(place, atMs + i * 1_800_000);
    return [...planets, ...stars].find((body) => body.name === name);
  });
  const path = points.flatMap((body) => (body && body.altitudeDeg > 0 ? [spot(body).join(' ')] : []));
  return path.length > 1 ? <polyline className="trail" points={path.join(' ')} /> : null;
}

function Moon({ plan: { sky, moonlight } }: { plan: Plan }) {
  const [x, y] = spot(sky.moon);
  // The terminator is half an ellipse; the lit side is turned towards the Sun.
  const bulge = MOON * (1 - 2 * moonlight.litPart);
  const [sunX, sunY] = at(sky.sun.azimuthDeg, sky.sun.altitudeDeg);
  const turnDeg = Math.atan2(sunY - y, sunX - x) / DEG;
  const lit = `M 0 ${-MOON} A ${MOON} ${MOON} 0 0 1 0 ${MOON} A ${Math.abs(bulge)} ${MOON} 0 0 ${bulge > 0 ? 0 : 1} 0 ${-MOON}`;
  return (
    <g className="moon" transform={`translate(${x} ${y}) rotate(${turnDeg})`}>
      <circle r={MOON} />
      <path d={lit} />
    </g>
  );
}

/** Above the horizon a disc within the ring that is refused; below it a mark outside the rim where it is hidden. */
function Sun({ body, isUp }: { body: SkyBody; isUp: boolean }) {
  const [x, y] = spot(body);
  return (
    <g className={isUp ? 'sun up' : 'sun'}>
      {isUp && <circle className="danger" cx={x} cy={y} r={(RADIUS * SUN_MARGIN_DEG) / 90} />}
      <circle cx={x} cy={y} r={4} />
    </g>
  );
}

/** The part of the sky that a wide lens shows in a landscape towards there. */
function Pictures({ azimuthDeg }: { azimuthDeg: number }) {
  const corner = (turn: number, altitudeDeg: number) => at(azimuthDeg + turn, altitudeDeg).join(' ');
  return (
    <path
      className="pictures"
      d={`M ${corner(-35, 0)} L ${corner(-35, 45)} A 50 50 0 0 0 ${corner(35, 45)} L ${corner(35, 0)} A 100 100 0 0 1 ${corner(-35, 0)}`}
    />
  );
}
