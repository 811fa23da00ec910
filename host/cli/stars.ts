import type { Command } from 'commander';
import { compareShots } from '../../core/stars/compare.ts';
import { findStars } from '../../core/stars/find.ts';
import { type FieldMap, mapField } from '../../core/stars/map.ts';
import type { StarList } from '../../core/stars/star.ts';
import { comparisonWords, findingText, mapWords } from '../../core/stars/words.ts';
import { withSigma } from '../../core/strings.ts';
import { decode } from '../decode/decode.ts';
import { DecodeError } from '../decode/errors.ts';
import { readExif } from '../decode/exif.ts';
import { readPicture } from './measure.ts';
import { parsePositive } from './options.ts';
import { EXIT, writeLine } from './output.ts';
import { strings } from './strings.ts';

interface StarsOptions {
  focalMm?: number;
  pixelUm?: number;
  exposureS?: number;
  json?: true;
}

interface Shot {
  list: StarList;
  map: FieldMap;
}

export function addStars(program: Command): void {
  program
    .command('stars')
    .summary(strings.stars.summary)
    .description(strings.stars.summary)
    .option('--focal-mm <F>', strings.options.focalMm, parsePositive)
    .option('--pixel-um <P>', strings.options.pixelUm, parsePositive)
    .option('--exposure-s <S>', strings.stars.exposureS, parsePositive)
    .option('--json', strings.options.json)
    .argument('<FILE...>', strings.options.files)
    .addHelpText('after', strings.stars.help)
    .action(async (files: string[], options: StarsOptions) => {
      process.exitCode = await starsOf(files, options);
    });
}

async function starsOf(files: string[], options: StarsOptions): Promise<number> {
  const nameWidth = Math.min(40, Math.max(...files.map((file) => file.length)));
  let exit: number = EXIT.ok;
  let first: StarList | null = null;
  for (const file of files) {
    const shot = await shotIn(file, options);
    if ('reason' in shot) {
      exit = EXIT.unreadable;
      const { reason } = shot;
      const line = `${file.padEnd(nameWidth)}  ${strings.unreadable}  ${reason}`;
      await writeLine(options.json ? JSON.stringify({ file, status: 'unreadable', reason }) : line);
      continue;
    }
    if (exit === EXIT.ok && !shot.map.fit) exit = EXIT.noPattern;
    const comparison = first && compareShots(first, shot.list);
    first ??= shot.list;
    if (options.json) {
      const told = comparison && { ...comparison, pairs: comparison.pairs.length };
      const status = shot.map.fit ? 'mapped' : 'too-few-stars';
      await writeLine(JSON.stringify({ file, status, map: shot.map, comparison: told, list: shot.list }));
      continue;
    }
    const { hfrPx, findings, stars } = shot.map;
    const words = comparison && comparisonWords(comparison);
    const parts = [
      file.padEnd(nameWidth),
      strings.stars.counted(stars),
      hfrPx && strings.stars.size(withSigma(hfrPx.value, hfrPx.sigma, 'px')),
      ...(findings.length > 0 ? findings.map(findingText) : [mapWords(shot.map).headline]),
      words && `${words.headline}: ${words.lines[0]}`,
    ];
    await writeLine(parts.filter(Boolean).join('  '));
  }
  return exit;
}

async function shotIn(file: string, options: StarsOptions): Promise<Shot | { reason: string }> {
  const read = await readPicture(file);
  if ('reason' in read) return read;
  try {
    const image = await decode(read.bytes, file);
    const exif = await readExif(read.bytes, image.widthPx);
    const list = findStars(image);
    const exposure = {
      exposureS: options.exposureS ?? exif.exposureS,
      focalMm: options.focalMm ?? exif.focalMm,
      pixelUm: options.pixelUm ?? exif.pixelUm,
    };
    return { list, map: mapField(list, exposure) };
  } catch (error) {
    if (error instanceof DecodeError) return { reason: error.message };
    throw error;
  }
}
