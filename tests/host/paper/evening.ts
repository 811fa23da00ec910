/** Two invented evenings with a zoom lens: focus moves with temperature and focal length, one entry is misread. */
import { type Entry, makeEntry } from '../../../core/notebook/entry.ts';
import { seededRandom } from '../../../core/simulator/random.ts';

export const LENS = 'Invented 14–35 mm';
const INFINITY_MM = { 14: 61.5, 24: 63.5, 35: 66 } as const;
const MM_PER_DEGREE = 0.12;

/** Ring position of the truth behind the entries, tape mm. */
export function truthMm(focalMm: keyof typeof INFINITY_MM, temperatureC: number): number {
  return INFINITY_MM[focalMm] + MM_PER_DEGREE * (temperatureC - 5);
}

export function evenings(): Entry[] {
  const random = seededRandom(7);
  const entries: Entry[] = [];
  for (const [day, warmC] of [
    ['2026-11-23', 9],
    ['2026-11-24', 4],
  ] as const)
    for (let i = 0; i < 9; i++) {
      const focalMm = ([14, 24, 35] as const)[i % 3];
      const temperatureC = Math.round(10 * (warmC - 0.8 * i)) / 10;
      const misreadMm = day === '2026-11-23' && i === 4 ? 5 : 0;
      const ringPosition = Math.round(10 * (truthMm(focalMm, temperatureC) + 0.15 * random.gauss() + misreadMm)) / 10;
      const timeUtc = new Date(Date.parse(`${day}T18:10:00Z`) + i * 2_100_000).toISOString();
      const draft = {
        id: `00000000-0000-4000-8000-000000000${day.slice(-2)}${i}`,
        timeUtc,
        ringPosition,
        ringUnit: 'mm',
        lens: LENS,
        focalMm,
        temperatureC,
        approach: i % 2 === 0 ? 'rising' : 'falling',
        target: i === 2 ? 'Lantern Star' : 'Evening planet',
        note: i === 5 ? 'Wind from the west, tripod lowered; 50 % haze, µ and ∞ as signs to be kept. Seen twice.' : '',
        offsetPx: 0.1,
        offsetSigmaPx: 0.02,
        defocusUm: 3 * random.gauss() + (i === 7 ? 14 : 0),
        defocusSigmaUm: 1.4,
        verdict: i === 7 ? 'out-of-focus' : 'in-focus',
        measuredOn: 'live',
        settings: { fNumber: 2.8 },
      };
      entries.push(makeEntry(draft, { id: '', timeUtc }));
    }
  return entries;
}
