/** Every word on paper. */
import type { Camera, FocusFigures, TrailFigures } from '../calculators.ts';
import type { Entry } from '../notebook/entry.ts';
import type { RingModel, RingPrediction } from '../notebook/ring.ts';
import type { MoonLight, Night } from '../sky/night.ts';
import { compassPoint } from '../sky/place.ts';
import type { SkyBody } from '../sky/positions.ts';
import { moonWords } from '../sky/words.ts';
import { ENTRY_VERDICTS, figure, SUN_CAUTION, withSigma } from '../strings.ts';
import type { TapeMark } from './tape.ts';

const minus = (value: number) => String(value).replace('-', '−');

export const TAPE_WORDS = {
  title: (lens: string) => (lens ? `Ring tape: ${lens}` : 'Ring tape'),
  size: (diameterMm: number, lengthMm: number) =>
    `For a ring ${minus(diameterMm)} mm across; ${lengthMm.toFixed(1)} mm round.`,
  trueScale: 'Print at 100 %, not fitted to the page, and hold a ruler to the check lines.',
  check: '100 mm',
  piece: (number: number, of: number) => `${number} of ${of}`,
  steps: (pieces: number) => [
    pieces === 1
      ? 'Cut along the dashes. Wind it round the focus ring and glue its start over the hatched flap.'
      : 'Cut along the dashes. Glue each piece over the hatched flap of the one before, the last one’s flap under the start.',
    'If the ends do not meet by more than half a millimetre, measure once round the ring, divide by 3.1416 and print anew.',
    'Put a thin line on the barrel beside it as an index. Read the tape there, and write that down in the notebook.',
  ],
  marks: (conditions: string) => (conditions ? `Focus on the stars, ${conditions}` : 'Focus on the stars'),
  label: (focalMm: number | null) => (focalMm === null ? '∞' : minus(focalMm)),
  mark: ({ focalMm, position, sigma }: TapeMark, unit: 'mm' | 'degrees') => {
    const where = unit === 'mm' ? withSigma(position, sigma, 'mm') : withSigma(position, sigma, '°').replace(' °', '°');
    return focalMm === null ? where : `${minus(focalMm)} mm:  ${where}`;
  },
  caution: SUN_CAUTION,
};

const clock = (timeUtc: string) => timeUtc.slice(11, 16);
const unbroken = (quantity: string) => quantity.replaceAll(' ', '\u00a0');
const optional = (value: number | null, unit: string) =>
  value === null ? '' : unbroken(`${minus(value)} ${unit}`.trim());

export const REPORT_WORDS = {
  title: (timeUtc: string) => `Session of ${timeUtc.slice(0, 10)}`,
  summary: (session: readonly Entry[]) => {
    const inFocus = session.filter(({ verdict }) => verdict === 'in-focus').length;
    const count = `${session.length} ${session.length === 1 ? 'entry' : 'entries'}, ${inFocus} in focus`;
    const lenses = [...new Set(session.map(({ lens }) => lens).filter(Boolean))];
    return [`${clock(session[0].timeUtc)} to ${clock(session.at(-1)!.timeUtc)} UTC`, count, ...lenses].join('  ·  ');
  },
  time: 'UTC',
  defocus: (bandUm: number | null) =>
    `Defocus on the sensor, µm; bars ± σ${bandUm === null ? '' : `; grey: depth of focus ± ${figure(bandUm, 'µm')}`}`,
  offset: 'Offset of the middle pair, px; bars ± σ',
  columns: ['UTC', 'Lens', 'Ring', '°C', 'Measured', 'Target, note'],
  /** @param oneLens its name is in the summary already */
  cells: (entry: Entry, oneLens: boolean): string[] => [
    clock(entry.timeUtc),
    [oneLens ? '' : entry.lens, optional(entry.focalMm, 'mm')].filter(Boolean).join(', '),
    optional(entry.ringPosition, entry.ringUnit),
    optional(entry.temperatureC, ''),
    measured(entry),
    [entry.target, entry.note].filter(Boolean).join('. '),
  ],
  page: (number: number, of: number) => `${number} of ${of}`,
  foot: `Nightring. ${SUN_CAUTION}`,
  ringTitle: (lens: string) => `The focus ring of ${lens || 'a lens without name'}`,
  ringFacts: (model: RingModel, unit: string, focalMm: number | null, count: number) => {
    const perDegree = model.perDegree(focalMm);
    const backlash = model.backlash();
    const doubtful = model.residuals.filter(({ bad }) => bad).length;
    return [
      `From ${count} ${count === 1 ? 'entry' : 'entries'} in focus, in ${unit}.`,
      `One reading is good to ± ${Number(model.noise.toPrecision(2))}.`,
      `As it gets warmer: ${withSigma(perDegree.value, perDegree.sigma, unit)} for each °C${
        focalMm === null ? '' : ` at ${minus(focalMm)} mm`
      }.`,
      `Slack between the two ways of turning: ${withSigma(backlash.value, backlash.sigma, unit)}.`,
      'Grey is the model ± σ for one more reading.',
      doubtful > 0 && `${doubtful} doubtful, circled.`,
    ]
      .filter(Boolean)
      .join(' ');
  },
  temperature: 'Temperature, °C',
  focalLength: 'Focal length, mm',
  ring: (unit: string) => `Ring in focus, ${unit}`,
  ringAt: (unit: string, temperatureC: number | null) =>
    `Ring in focus, ${unit}${temperatureC === null ? '' : `; the model at ${minus(temperatureC)} °C`}`,
  focal: (focalMm: number | null) => (focalMm === null ? '?' : `${minus(focalMm)} mm`),
  entryNumber: 'Entries, oldest first',
  residual: 'Read minus what all others say, in σ',
};

function measured({ offsetPx, offsetSigmaPx, defocusUm, defocusSigmaUm, verdict }: Entry): string {
  const amount =
    defocusUm !== null
      ? withSigma(defocusUm, defocusSigmaUm!, 'µm')
      : offsetPx !== null
        ? withSigma(offsetPx, offsetSigmaPx!, 'px')
        : '';
  return [ENTRY_VERDICTS[verdict], unbroken(amount)].filter(Boolean).join(', ');
}

const local = (ms: number, zoneMinutes: number) => new Date(ms + 60_000 * zoneMinutes).toISOString();
const clockOf = (ms: number | null, zoneMinutes: number) => (ms === null ? '–' : local(ms, zoneMinutes).slice(11, 16));
const zoneName = (zoneMinutes: number) => {
  const size = Math.abs(zoneMinutes);
  const hours = `${Math.floor(size / 60)}${size % 60 ? `:${String(size % 60).padStart(2, '0')}` : ''}`;
  return size === 0 ? 'UTC' : `UTC${zoneMinutes < 0 ? '−' : '+'}${hours}`;
};

export const CARD_WORDS = {
  title: (place: string, ms: number, zoneMinutes: number) =>
    [local(ms, zoneMinutes).slice(0, 10), place].filter(Boolean).join('  '),
  clock: clockOf,
  sun: ({ sunsetMs, sunriseMs, astronomical }: Night, zoneMinutes: number) =>
    `Sunset ${clockOf(sunsetMs, zoneMinutes)}, dark ${clockOf(astronomical.duskMs, zoneMinutes)} to ${clockOf(astronomical.dawnMs, zoneMinutes)}, sunrise ${clockOf(sunriseMs, zoneMinutes)} (${zoneName(zoneMinutes)}).`,
  moon: (moon: MoonLight, { moonriseMs, moonsetMs }: Night, zoneMinutes: number) =>
    `Moon ${moonWords(moon)}; rises ${clockOf(moonriseMs, zoneMinutes)}, sets ${clockOf(moonsetMs, zoneMinutes)}.`,
  targets: 'Focus on',
  where: (body: SkyBody | null) =>
    body === null ? '–' : `${compassPoint(body.azimuthDeg)} ${Math.round(body.altitudeDeg)}° up`,
  noPlace: 'The place is not set, so no targets: set it on the prepare page and print anew.',
  magnitude: 'mag',
  brightness: (magnitude: number) => magnitude.toFixed(1).replace('-', '−'),
  noTargets: 'Nothing is bright and high enough tonight, or it does not get dark.',
  ring: (lens: string, unit: string) =>
    [lens ? `Start the ring of ${lens}` : 'Start the ring', unit && `in ${unit}`].filter(Boolean).join(', '),
  temperature: (temperatureC: number | null) => (temperatureC === null ? '' : `${minus(temperatureC)} °C`),
  focal: (focalMm: number | null) => (focalMm === null ? 'any zoom' : `${minus(focalMm)} mm`),
  position: ({ position, sigma }: RingPrediction) => withSigma(position, sigma, '').trim(),
  noRing: 'At its ∞ mark: the notebook has no entry of it in focus yet.',
  write: ['By hand', 'mm', 'Ring', '°C', 'Star'],
  figures: ({ focalMm, fNumber }: Camera) => `At ${minus(focalMm)} mm, f/${minus(fNumber)}`,
  allows: (
    { depthOfFocusUm, nearestM, hyperfocalM, nearestHyperfocalM }: FocusFigures,
    { longestExposureS }: TrailFigures,
  ) =>
    [
      `Focused on the stars it is sharp from ${figure(nearestM, 'm')}; focused at ${figure(hyperfocalM, 'm')} from ${figure(nearestHyperfocalM, 'm')}.`,
      `Stars trail a pixel in ${figure(longestExposureS, 's')} or more. Depth of focus ± ${figure(depthOfFocusUm, 'µm')}.`,
    ].join(' '),
};

/** What the sheets are called, and why one cannot be made. */
export const SHEET_WORDS = {
  titles: { tape: 'Ring tape', card: 'Field card', report: 'Session report' },
  noDiameter: (lens: string) =>
    `the diameter of the focus ring${lens ? ` of ${lens}` : ''} is not known; measure it and type it with the lens in the kit`,
  badDiameter: (diameterMm: number, least: number, most: number) =>
    `a focus ring is ${least} to ${most} mm across, not ${diameterMm} mm; measure it again`,
  noEntries: 'the notebook has no entries yet; write one down first',
  atTemperature: (temperatureC: number) => `at ${minus(temperatureC)} °C`,
  otherUnit: (unit: string, tapeUnit: string) =>
    `No marks yet: the notebook has this ring in ${unit}. Read the tape from now on, and write ${tapeUnit} down.`,
  offTape: (count: number) =>
    `${count} expected ${count === 1 ? 'position lies' : 'positions lie'} beyond the tape’s end.`,
};
