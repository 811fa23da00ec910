import { bodyInUse, lensInUse } from '../../core/kit/kit.ts';
import type { Entry } from '../../core/notebook/entry.ts';
import { type RingMemory, ringMemory } from '../../core/notebook/memory.ts';
import { cardPages } from '../../core/paper/card.ts';
import type { Page, Paper, TextWidth } from '../../core/paper/page.ts';
import { lastSession, reportPages } from '../../core/paper/report.ts';
import { DIAMETERS_MM, type TapeMark, tapeLengthMm, tapePages } from '../../core/paper/tape.ts';
import { SHEET_WORDS as words } from '../../core/paper/words.ts';
import { liveViewOf } from '../../core/sky/brightness.ts';
import scenario from '../../samples/scenario.json' with { type: 'json' };
import type { Settings } from '../api.ts';

export const PAPER_KINDS = ['tape', 'card', 'report'] as const;
export type PaperKind = (typeof PAPER_KINDS)[number];

/** What is asked of a sheet; what is left out is as in settings and notebook. */
export interface PaperWishes {
  paper: Paper;
  /** The night that is on then, or the coming one, and the time that stands in the file. */
  atMs: number;
  /** Of the clock to be printed, ahead of UTC. */
  zoneMinutes: number;
  lens?: string;
  diameterMm?: number;
  temperatureC?: number;
}

/** A sheet that cannot be made yet; one line that says what is missing. */
export class PaperError extends Error {
  override name = 'PaperError';
}

/** @throws PaperError */
export async function makePaper(
  kind: PaperKind,
  entries: readonly Entry[],
  settings: Settings,
  wishes: PaperWishes,
): Promise<Buffer> {
  const make = { tape: ringTape, card: fieldCard, report: sessionReport }[kind];
  // Fonts and PDF take long to load and are seldom needed.
  const { textWidth, writePdf } = await import('./pdf.ts');
  const pages = make(entries, settings, wishes, textWidth);
  return writePdf(pages, words.titles[kind], new Date(wishes.atMs).toISOString());
}

function ringTape(entries: readonly Entry[], settings: Settings, wishes: PaperWishes, textWidth: TextWidth): Page[] {
  const { lens, memory, inKit, focalsMm, temperatureC } = ringOf(entries, settings, wishes);
  const diameterMm = wishes.diameterMm ?? inKit?.ring.barrelDiameterMm;
  if (!diameterMm) throw new PaperError(words.noDiameter(lens));
  const [least, most] = DIAMETERS_MM;
  if (diameterMm < least || diameterMm > most) throw new PaperError(words.badDiameter(diameterMm, least, most));
  const unit = [inKit?.ring.unit, memory?.unit].find((known) => known === 'mm' || known === 'degrees') ?? 'mm';
  const fitted: TapeMark[] =
    memory?.unit === unit
      ? focalsMm.map((focalMm) => {
          const { position, sigma } = memory.model.predict({ focalMm, temperatureC });
          return { focalMm, position, sigma };
        })
      : [];
  const end = unit === 'mm' ? tapeLengthMm(diameterMm) : 360;
  const marks = fitted.filter(({ position }) => position >= 0 && position <= end);
  const remark =
    memory && memory.unit !== unit
      ? words.otherUnit(memory.unit, unit)
      : marks.length < fitted.length
        ? words.offTape(fitted.length - marks.length)
        : '';
  const conditions = temperatureC === null ? '' : words.atTemperature(temperatureC);
  return tapePages({ diameterMm, unit, lens, conditions, marks, remark }, wishes.paper, textWidth);
}

function fieldCard(entries: readonly Entry[], settings: Settings, wishes: PaperWishes, textWidth: TextWidth): Page[] {
  const { lens, memory, focalsMm, temperatureC } = ringOf(entries, settings, wishes);
  const { focalMm, fNumber } = settings.optics;
  const pixelUm = bodyInUse(settings)?.pixelUm ?? settings.calculator.pixelUm;
  const card = {
    place: settings.place ?? (settings.camera === 'sim' ? scenario.place : null),
    atMs: wishes.atMs,
    zoneMinutes: wishes.zoneMinutes,
    live: liveViewOf({ ...settings.optics, mask: settings.mask }, settings.liveExposureS),
    lens,
    focalsMm,
    memory,
    temperatureC,
    camera: focalMm !== null && fNumber !== null && pixelUm !== null ? { focalMm, fNumber, pixelUm } : null,
  };
  return cardPages(card, wishes.paper, textWidth);
}

function sessionReport(
  entries: readonly Entry[],
  settings: Settings,
  { paper }: PaperWishes,
  textWidth: TextWidth,
): Page[] {
  if (entries.length === 0) throw new PaperError(words.noEntries);
  const session = lastSession(entries);
  const rings = [...new Set(session.map(({ lens }) => lens))].flatMap((lens) => {
    const memory = ringMemory(entries, lens, lensInUse({ kit: settings.kit, lensName: lens }));
    return memory ? [{ lens, memory, entries }] : [];
  });
  return reportPages({ session, rings }, paper, textWidth);
}

/** The lens asked for, what is known of its ring, and for what to predict. */
function ringOf(entries: readonly Entry[], { kit, lensName, optics }: Settings, wishes: PaperWishes) {
  const lens = wishes.lens ?? lensName;
  const inKit = lensInUse({ kit, lensName: lens });
  const memory: RingMemory | null = ringMemory(entries, lens, inKit);
  const ofLens = entries.filter((entry) => entry.lens === lens);
  const used = ofLens.flatMap(({ focalMm, verdict }) => (verdict === 'in-focus' ? (focalMm ?? []) : []));
  const fixed = inKit && inKit.focalMinMm === inKit.focalMaxMm ? [inKit.focalMinMm] : [];
  const now = lens === lensName ? (optics.focalMm ?? []) : [];
  const focalsMm = [...new Set(fixed.length > 0 ? fixed : used.concat(now))].toSorted((a, b) => a - b);
  const newestFirst = entries.toSorted((a, b) => b.timeUtc.localeCompare(a.timeUtc));
  const lastC = newestFirst.find((entry) => entry.temperatureC !== null)?.temperatureC ?? null;
  return {
    lens,
    inKit,
    memory,
    focalsMm: focalsMm.length > 0 ? focalsMm : [null],
    temperatureC: wishes.temperatureC ?? lastC,
  };
}
