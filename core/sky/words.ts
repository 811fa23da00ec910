/** What the sky has to say, for screen, paper and command line. */
import type { LiveView } from './brightness.ts';
import { type Daylight, isNearSun, SUN_MARGIN_DEG } from './daylight.ts';
import type { MoonLight } from './night.ts';
import { compassPoint, type Place } from './place.ts';
import type { SkyBody } from './positions.ts';
import type { Remark, Target, Verdict } from './targets.ts';

export const VERDICT_WORDS: Record<Verdict, string> = {
  good: 'good',
  usable: 'usable',
  poor: 'not now',
  down: 'not up',
  refused: 'refused',
};

const whole = (value: number) => value.toFixed(0).replace('-', '−');

/** "SE 132°, 41° high". */
export function directionWords({ azimuthDeg, altitudeDeg }: Pick<SkyBody, 'azimuthDeg' | 'altitudeDeg'>): string {
  const where = `${compassPoint(azimuthDeg)} ${whole(azimuthDeg)}°`;
  return altitudeDeg < 0 ? `${where}, below the horizon` : `${where}, ${whole(altitudeDeg)}° high`;
}

/** Why a target is good or not, in few words. */
export function remarkWords(remark: Remark, { sunDeg, moonDeg, snr, waitS }: Target): string {
  switch (remark) {
    case 'near-sun':
      return `${whole(sunDeg)}° from the Sun, which is up: never nearer than ${SUN_MARGIN_DEG}°`;
    case 'below-horizon':
      return 'below the horizon';
    case 'behind-obstacle':
      return 'behind what stands in the way';
    case 'bright':
      return `bright enough (S/N ${whole(snr!)})`;
    case 'wait':
      return `bright enough in ${waitS! < 9.95 ? waitS!.toFixed(1) : whole(waitS!)} s`;
    case 'too-faint':
      return 'too faint for live view';
    case 'sky-too-bright':
      return 'lost in the bright sky';
    case 'brightness-unknown':
      return 'brightness not judged: lens not set';
    case 'wide-disc':
      return 'its disc is wide in this lens';
    case 'near-moon':
      return `${whole(moonDeg)}° from the Moon`;
    case 'low':
      return 'low, trembling air';
    case 'steep':
      return 'nearly overhead';
    case 'near-pictures':
      return 'near your pictures';
    case 'far-from-pictures':
      return 'far from your pictures';
  }
}

export function remarksText(target: Target): string {
  return target.remarks.map((remark) => remarkWords(remark, target)).join('; ');
}

/** What the hour means for eyes, sensor and shutter; empty from nautical twilight on. */
export function daylightWords(daylight: Daylight, sun: SkyBody): string {
  if (daylight === 'day')
    return [
      // Its centre may be below while its edge is not, the more so as seen from a height.
      `The Sun is up, ${directionWords({ ...sun, altitudeDeg: Math.max(0, sun.altitudeDeg) })}.`,
      'Eyes: never look at or near it through lens or finder.',
      'Sensor and shutter: live view lays both open; keep the cap on while the camera is turned or left alone.',
      `Nothing within ${SUN_MARGIN_DEG}° of it is a target.`,
    ].join(' ');
  if (daylight === 'civil')
    return `The Sun is just below the horizon in the ${compassPoint(sun.azimuthDeg)}: the sky is too bright for most stars; before sunrise put the cap on.`;
  return '';
}

/** Said when the Sun is up where the pictures are to be taken; empty otherwise. */
export function picturesWords(place: Place, sun: SkyBody): string {
  if (place.towardsDeg === null) return '';
  const towards = {
    azimuthDeg: place.towardsDeg,
    altitudeDeg: Math.min(PICTURES_TOP_DEG, Math.max(0, sun.altitudeDeg)),
  };
  if (!isNearSun(towards, sun, place)) return '';
  return 'The Sun stands where your pictures are to be taken: keep the camera turned away until it has set.';
}

/** A landscape picture reaches up to about here (common practice, no source). */
const PICTURES_TOP_DEG = 45;

/** "waxing, 43 % lit". */
export function moonWords({ phaseDeg, litPart }: MoonLight): string {
  const lit = `${whole(100 * litPart)} % lit`;
  if (litPart < 0.01) return `new, ${lit}`;
  if (litPart > 0.99) return `full, ${lit}`;
  return `${phaseDeg < 180 ? 'waxing' : 'waning'}, ${lit}`;
}

/** Said where the clock's zone can hardly be the place's; empty otherwise. Zones lie up to 3.5 h from the Sun's time. */
export function zoneWords({ longitudeDeg }: Place, zoneMinutes: number): string {
  const awayH = ((((zoneMinutes / 60 - longitudeDeg / 15 + 12) % 24) + 24) % 24) - 12;
  if (Math.abs(awayH) <= 3.5) return '';
  return `This computer’s clock is ${Math.abs(awayH).toFixed(0)} h ${awayH > 0 ? 'ahead of' : 'behind'} the Sun’s time there: times are the computer’s, not the place’s.`;
}

/** What the judgement of brightness rests on, one line. */
export function liveViewWords({ focalMm, fNumber, exposureS, pixelUm }: LiveView): string {
  return `Judged for ${focalMm} mm f/${fNumber}, live view frames of ${exposureS} s, pixels of ${pixelUm} µm.`;
}
