import { compassPoint } from '../core/sky/place.ts';
import { type SkyBody, skyAt } from '../core/sky/positions.ts';
import { isOffered, type Plan } from './plan.ts';
import { strings } from './strings.ts';

const RADIUS = 100;
const DEG = Math.PI / 180;

/**
 * The sky as it hangs overhead: north up, east left, the zenith in the middle, the horizon the rim.
 * Distance from the middle is proportional to the angle from the zenith.
 */
function at(azimuthDeg: number, altitudeDeg: number): [number, number] {
  const away = (RADIUS * (90 - altitudeDeg)) / 90;
  return [-away * Math.sin(azimuthDeg * DEG), -away * Math.cos(azimuthDeg * DEG)];
}

const spot = ({ azimuthDeg, altitudeDeg }: SkyBody) => at(azimuthDeg, altitudeDeg);

/** Larger for brighter, chart units. */
const dotSize = (magnitude: number) => Math.min(3.4, Math.max(0.6, 2.6 - 0.7 * magnitude));

/** Small chart to find a target by. */
export function SkyChart({ plan, chosen }: { plan: Plan; chosen: string | null }) {
  const { place, sky, targets } = plan;
  const words = strings.sky;
  const shown = targets.filter(({ body }) => body.altitudeDeg >= 0);
  const best = shown.filter(isOffered).slice(0, 4);
  const named = shown.filter((target) => best.includes(target) || target.body.name === chosen);
  const obstacle = (RADIUS * (90 - place.horizonDeg)) / 90;
  return (
    <svg
      className="sky"
      viewBox="-118 -118 236 236"
      role="img"
      aria-label={words.chart(named.map(({ body }) => body.name))}
    >
      <circle className="ground" r={RADIUS} />
      <circle className="air" r={obstacle} />
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
      {shown.map(({ body }) => {
        const [x, y] = spot(body);
        return <circle key={body.name} className="star" cx={x} cy={y} r={dotSize(body.magnitude)} />;
      })}
      <Trail plan={plan} chosen={chosen} />
      <Sun plan={plan} />
      {sky.moon.altitudeDeg > 0 && <Moon plan={plan} />}
      {named.map(({ body }) => {
        const [x, y] = spot(body);
        return (
          <g key={body.name} className={body.name === chosen ? 'chosen' : 'named'}>
            <circle cx={x} cy={y} r={5.5} />
            <text x={x} y={y < -80 ? y + 13 : y - 8}>
              {body.name}
            </text>
          </g>
        );
      })}
    </svg>
  );
}

/** The way of the chosen target through the next three hours. */
function Trail({ plan: { place, atMs }, chosen }: { plan: Plan; chosen: string | null }) {
  if (chosen === null) return null;
  const points = Array.from({ length: 7 }, (_, i) => {
    const { planets, stars } = skyAt(place, atMs + i * 1_800_000);
    return [...planets, ...stars].find(({ name }) => name === chosen);
  });
  const path = points.flatMap((body) => (body && body.altitudeDeg > 0 ? [spot(body).join(' ')] : []));
  return path.length > 1 ? <polyline className="trail" points={path.join(' ')} /> : null;
}

function Moon({ plan: { sky, moonlight } }: { plan: Plan }) {
  const [x, y] = spot(sky.moon);
  // The terminator is an ellipse; the lit side is turned towards the Sun's side of the chart.
  const bulge = 5 * (1 - 2 * moonlight.litPart);
  const [sunX, sunY] = spot(sky.sun);
  const turnDeg = Math.atan2(sunY - y, sunX - x) / DEG;
  return (
    <g className="moon" transform={`translate(${x} ${y}) rotate(${turnDeg})`}>
      <circle r={5} />
      <path d={`M 0 -5 A 5 5 0 0 1 0 5 A ${Math.abs(bulge)} 5 0 0 ${bulge > 0 ? 0 : 1} 0 -5`} />
    </g>
  );
}

/** Above the horizon a disc with the zone that is refused; below it a mark at the rim where it is hidden. */
function Sun({ plan: { sky, daylight } }: { plan: Plan }) {
  const { azimuthDeg, altitudeDeg } = sky.sun;
  const [x, y] = at(azimuthDeg, Math.max(-4, altitudeDeg));
  return (
    <g className={daylight === 'day' ? 'sun up' : 'sun'}>
      {daylight === 'day' && <circle className="danger" cx={x} cy={y} r={(RADIUS * 20) / 90} />}
      <circle cx={x} cy={y} r={4} />
    </g>
  );
}

/** An arrow at the rim, and the width of a wide lens's view. */
function Pictures({ azimuthDeg }: { azimuthDeg: number }) {
  const corner = (turn: number, altitudeDeg: number) => at(azimuthDeg + turn, altitudeDeg).join(' ');
  return (
    <path
      className="pictures"
      d={`M ${corner(-35, 0)} L ${corner(-35, 45)} A 50 50 0 0 0 ${corner(35, 45)} L ${corner(35, 0)} A 100 100 0 0 1 ${corner(-35, 0)}`}
    />
  );
}
