import { join } from 'node:path';
import type { Command } from 'commander';
import {
  type Camera,
  COUNTRY_SKY_MAG,
  focusFigures,
  marksOfDefocus,
  offsetFigures,
  type Sky,
  skyFigures,
  trailFigures,
} from '../../core/calculators.ts';
import { bodyInUse } from '../../core/kit/kit.ts';
import { type FigureLine, focusLines, offsetLines, skyLines, trailLines } from '../../core/strings.ts';
import type { Settings } from '../api.ts';
import { dataFolder, SETTINGS_FILE } from '../datafolder.ts';
import { SettingsFile } from '../server/settings.ts';
import { parseNumber, parsePositive } from './options.ts';
import { CommandError, columns, EXIT, remark, writeLine } from './output.ts';
import { strings } from './strings.ts';

const texts = strings.calc;

interface CalcOptions {
  focalMm?: number;
  fNumber?: number;
  pixelUm?: number;
  data?: string;
  json?: boolean;
}

const ALL = ['focalMm', 'fNumber', 'pixelUm'] as const;

/** What a calculator works out, for machines and for people. */
type Worked = [figures: object, lines: FigureLine[]];

export function addCalc(program: Command): void {
  const calc = program.command('calc').summary(texts.summary).description(texts.summary).helpCommand(false);
  const add = <Options extends CalcOptions, Needed extends keyof Camera = keyof Camera>(
    name: 'focus' | 'trail' | 'sky' | 'offset',
    needed: readonly Needed[],
    options: (command: Command) => Command,
    work: (camera: Pick<Camera, Needed>, options: Options, settings: Settings) => Worked,
  ) =>
    options(calc.command(name).description(texts[name].summary))
      .option('--focal-mm <F>', texts.options.focalMm, parsePositive)
      .option('--f-number <N>', texts.options.fNumber, parsePositive)
      .option('--pixel-um <P>', texts.options.pixelUm, parsePositive)
      .option('--data <DIR>', strings.options.data)
      .option('--json', texts.options.json)
      .addHelpText('after', texts[name].help)
      .action(async (given: Options) => {
        const file = await SettingsFile.open(join(dataFolder(given.data), SETTINGS_FILE));
        if (file.warning) remark(file.warning);
        const settings = file.get();
        const [figures, lines] = refusing(() => work(cameraOf(needed, given, settings), given, settings));
        // JSON has no infinity: there it is null.
        const shown = given.json ? [JSON.stringify(figures)] : columns(lines);
        for (const line of shown) await writeLine(line);
      });

  add<CalcOptions & { blurPx?: number; distanceM?: number }>(
    'focus',
    ALL,
    (command) =>
      command
        .option('--blur-px <B>', texts.options.blurPx, parsePositive)
        .option('--distance-m <D>', texts.options.distanceM, parsePositive),
    (camera, { blurPx, distanceM = null }, { calculator }) => {
      const figures = focusFigures(camera, blurPx ?? calculator.blurPx, distanceM);
      return [figures, focusLines(figures, distanceM)];
    },
  );
  add<CalcOptions & { trailPx?: number; declinationDeg: number; offAxisDeg: number }, 'focalMm' | 'pixelUm'>(
    'trail',
    ['focalMm', 'pixelUm'],
    (command) =>
      command
        .option('--trail-px <T>', texts.options.trailPx, parsePositive)
        .option('--declination-deg <D>', texts.options.declinationDeg, parseNumber, 0)
        .option('--off-axis-deg <A>', texts.options.offAxisDeg, parseNumber, 0),
    (camera, { trailPx, ...place }, { calculator }) => {
      const figures = trailFigures(camera, place, trailPx ?? calculator.blurPx);
      return [figures, trailLines(figures)];
    },
  );
  add<CalcOptions & Partial<Sky>, 'fNumber' | 'pixelUm'>(
    'sky',
    ['fNumber', 'pixelUm'],
    (command) =>
      command
        .option('--sky-mag <M>', texts.options.skyMag, parseNumber)
        .option('--exposure-s <T>', texts.options.exposureS, parsePositive)
        .option('--iso <S>', texts.options.iso, parsePositive)
        .option('--read-noise-e <R>', texts.options.readNoiseE, parsePositive)
        .option('--transmission <L>', texts.options.transmission, parsePositive),
    (camera, given, { calculator }) => {
      const skyMag = given.skyMag ?? calculator.skyMag ?? COUNTRY_SKY_MAG;
      const figures = skyFigures(camera, { ...calculator, ...given, skyMag });
      return [figures, skyLines(figures)];
    },
  );
  add<CalcOptions & { defocusUm: number }>(
    'offset',
    ALL,
    (command) => command.requiredOption('--defocus-um <Z>', texts.options.defocusUm, parseNumber),
    (camera, { defocusUm }, { mask, calibration }) => {
      const figures = offsetFigures(camera, defocusUm, marksOfDefocus(defocusUm, { ...camera, mask }, calibration));
      return [figures, offsetLines(figures)];
    },
  );
}

/** The options given, else what the settings hold. @throws CommandError when something needed is still missing */
function cameraOf<Needed extends keyof Camera>(
  needed: readonly Needed[],
  given: CalcOptions,
  settings: Settings,
): Pick<Camera, Needed> {
  const { focalMm, fNumber } = settings.optics;
  const known = { focalMm, fNumber, pixelUm: bodyInUse(settings)?.pixelUm ?? settings.calculator.pixelUm };
  const entries = needed.map((name) => {
    const value = given[name] ?? known[name];
    if (value === null) throw new CommandError(texts.missing(name), EXIT.usage);
    return [name, value];
  });
  return Object.fromEntries(entries);
}

/** A value that is out of its range is wrong usage. */
function refusing<Result>(work: () => Result): Result {
  try {
    return work();
  } catch (error) {
    if (error instanceof RangeError) throw new CommandError(error.message, EXIT.usage);
    throw error;
  }
}
