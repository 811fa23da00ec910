/** Every word on paper. */
import { figure, withSigma } from '../strings.ts';

const SUN = 'Never point lens, mask or live view at or near the Sun.';

export const TAPE_WORDS = {
  title: (lens: string) => (lens ? `Ring tape: ${lens}` : 'Ring tape'),
  size: (diameterMm: number, lengthMm: number) =>
    `For a ring ${figure(diameterMm, 'mm')} across; ${lengthMm.toFixed(1)} mm round.`,
  trueScale: 'Print at 100 %, not fitted to the page, and hold a ruler to the check lines.',
  check: '100 mm',
  piece: (number: number, of: number) => `${number} of ${of}`,
  steps: (pieces: number) => [
    pieces === 1
      ? 'Cut along the dashes. Wind it round the focus ring and glue its end over the hatched flap.'
      : 'Cut along the dashes. Glue each piece over the hatched flap of the one before, the last one’s flap under the start.',
    'If the ends do not meet by more than half a millimetre, measure once round the ring, divide by 3.1416 and print anew.',
    'Put a thin line on the barrel beside it as an index. Read the tape there, and write that down in the notebook.',
  ],
  marks: (conditions: string) => (conditions ? `Focus on the stars, ${conditions}` : 'Focus on the stars'),
  mark: (label: string, position: number, sigma: number, unit: 'mm' | 'degrees') =>
    `${label} mm:  ${withSigma(position, sigma, unit === 'mm' ? 'mm' : '°').replace(' °', '°')}`,
  caution: SUN,
};
