import { needAll, type PixelImage } from '../../core/frame.ts';
import { findStars } from '../../core/stars/find.ts';
import { cellOf, type Exposure, mapField } from '../../core/stars/map.ts';
import type { Star, StarList } from '../../core/stars/star.ts';
import type { StarShot } from './protocol.ts';
import { cropsOf } from './view.ts';

/** Side of a crop, px. */
const CROP_PX = 144;
/** Crops of each ninth of the field, the brightest stars that are not burnt out. */
const CROPS_A_CELL = 5;
const CLEAR_SNR = 20;
/** More than the screen needs of a crowded field. */
const MOST_STARS = 4000;

/** Finds the stars of a still and what they say; see core/stars. */
export function starShot(image: PixelImage, exposure: Exposure, tint: boolean): StarShot {
  needAll(image);
  const list = findStars(image);
  const map = mapField(list, exposure);
  const crops = cropsOf(image, telling(list), CROP_PX, tint);
  return { list: { ...list, stars: list.stars.slice(0, MOST_STARS) }, map, crops };
}

function telling({ stars, widthPx, heightPx }: StarList): Star[] {
  const taken = new Map<number, number>();
  return stars.filter((star) => {
    if (star.saturated || star.snr < CLEAR_SNR) return false;
    const cell = cellOf(star.xPx, star.yPx, widthPx, heightPx);
    const count = taken.get(cell) ?? 0;
    taken.set(cell, count + 1);
    return count < CROPS_A_CELL;
  });
}
