/** What screen and command line say of a shot without the mask. Plain and short; causes with what to do about them. */
import { withSigma } from '../strings.ts';
import type { Comparison } from './compare.ts';
import type { FieldMap, Finding } from './map.ts';

export interface ShotWords {
  /** At most five words, for big type. */
  headline: string;
  /** One line each. */
  lines: string[];
}

const px = (value: number) => `${value < 10 ? value.toFixed(1) : value.toFixed(0)} px`;

const SIDES = ['right', 'lower right', 'bottom', 'lower left', 'left', 'upper left', 'top', 'upper right'];
const OPPOSITE = { right: 'left and right', bottom: 'top and bottom' } as Record<string, string>;

/** The side or corner that a direction points to, from +x towards +y. */
function side(deg: number): string {
  return SIDES[((Math.round(deg / 45) % 8) + 8) % 8];
}

/** Both ends of a direction: "left and right". */
function bothSides(deg: number): string {
  const name = side(((deg % 180) + 180) % 180);
  return OPPOSITE[name === 'left' ? 'right' : name] ?? `${name} and ${side(deg + 180)}`;
}

const HEADLINES: Record<Finding['kind'], string> = {
  defocus: 'Out of focus',
  tilt: 'Tilted',
  curvature: 'Curved field',
  corners: 'Soft corners',
  trail: 'Trailed by the sky',
  shake: 'Shaken',
  motion: 'Stars drawn out',
};

/** What spoils the picture most comes first. */
const ORDER: Finding['kind'][] = ['shake', 'motion', 'trail', 'defocus', 'tilt', 'curvature', 'corners'];

export function findingText(finding: Finding): string {
  switch (finding.kind) {
    case 'defocus':
      return `Stars are discs of ${px(finding.discPx)}: turn the focus ring, mask on.`;
    case 'tilt': {
      const sizes = `${px(finding.sharpPx)} against ${px(finding.softPx)}`;
      return finding.band
        ? `Sharp in a band, soft at ${bothSides(finding.towardsDeg)} (${sizes}): lens or sensor is tilted, or the lens decentred.`
        : `Softer towards the ${side(finding.towardsDeg)} (${sizes}): lens or sensor is tilted, or the lens decentred.`;
    }
    case 'curvature': {
      const sizes = `${px(finding.middlePx)} in the middle, ${px(finding.cornerPx)} in the corners`;
      return finding.softer === 'corners'
        ? `Softer towards the corners, stars stay round (${sizes}): focus on a star between middle and corner, or stop down.`
        : `Corners sharper than the middle (${sizes}): the ring is past the focus of the middle.`;
    }
    case 'corners': {
      const way = finding.along === 'radius' ? 'outwards' : 'along circles';
      return `Corner stars drawn out ${way} (${px(finding.middlePx)} in the middle, ${px(finding.cornerPx)} in the corners): the lens itself; stop down.`;
    }
    case 'trail':
      return `Stars are ${px(finding.lengthPx)} long, the sky's turning gives up to ${px(finding.skyPx!)}: expose for less time.`;
    case 'shake':
      return `Stars are ${px(finding.lengthPx)} long, the sky's turning gives ${px(finding.skyPx!)} at most: shelter the tripod, use a delay.`;
    case 'motion':
      return `Stars are ${px(finding.lengthPx)} long, all one way: the sky's turning or shake; the exposure time is not known.`;
  }
}

/** Below this half-flux radius pixels, not the lens, decide. */
const PIXEL_LIMITED_PX = 1.25;

export function mapWords(map: FieldMap): ShotWords {
  if (!map.hfrPx || !map.fit)
    return {
      headline: 'Too few stars',
      lines: [
        map.stars === 0
          ? 'No stars found. Take the mask off, aim at the sky, expose for longer.'
          : `Only ${map.used} of ${map.stars} stars are clear enough to judge by. Expose for longer.`,
      ],
    };
  const findings = ORDER.flatMap((kind) => map.findings.filter((finding) => finding.kind === kind));
  const size = `Half of a star's light lies within ${withSigma(map.hfrPx.value, map.hfrPx.sigma, 'px')} of its centre`;
  const note = map.hfrPx.value < PIXEL_LIMITED_PX ? ', as small as pixels can show.' : '.';
  if (findings.length === 0) {
    const sharp = map.hfrPx.value < PIXEL_LIMITED_PX;
    const hint = 'Whether this lens can do better only another shot tells: turn the ring a little and compare.';
    return {
      headline: sharp ? 'Sharp all over' : 'Even and round',
      lines: [size + note, 'No tilt, no drawn-out stars, no soft corners.', ...(sharp ? [] : [hint])],
    };
  }
  return { headline: HEADLINES[findings[0].kind], lines: [size + note, ...findings.map(findingText)] };
}

const VERDICTS: Record<Comparison['verdict'], string> = {
  sharper: 'Sharper than before',
  same: 'Same as before',
  softer: 'Softer than before',
};

export function comparisonWords({ verdict, ratio, pairs, stars }: Comparison): ShotWords {
  const percent = withSigma(100 * Math.abs(ratio.value - 1), 100 * ratio.sigma, '%');
  const stated =
    verdict === 'same'
      ? `No change beyond ${(100 * Math.max(0.02, 3 * ratio.sigma)).toFixed(0)} %`
      : `Stars ${percent} ${verdict === 'sharper' ? 'smaller' : 'larger'}`;
  const basis =
    pairs.length > 0
      ? `${pairs.length} stars in both shots`
      : 'other stars than before, so only their middle is compared';
  return {
    headline: VERDICTS[verdict],
    lines: [`${stated}; ${basis}.`, `${stars.after} stars found, ${stars.before} before.`],
  };
}
