/** Whether spectra lie about a light, as a grating makes them of it, also where they have run into each other and into it. */
import type { PixelImage } from '../frame.ts';
import type { Candidate } from './candidates.ts';
import { linearTable } from './linear.ts';
import { median } from './samples.ts';

/** Radii of the light between which they are looked for. */
const FROM = 1.5;
const TO = 3;
/** Share of all the light that must lie there on either side; a star's halo by diffraction is half of that. */
const LEAST_SHARE = 0.12;
/** By how much further out the red of it must lie than the blue, in the mean. */
const LEAST_RATIO = 1.05;
/** Of so many pixels one is enough to know the sky by. */
const SKY_EVERY = 31;

/** False for a grey picture. */
export function isDispersed(image: PixelImage, { xPx, yPx, axisRad, radiusPx }: Candidate): boolean {
  const { data, widthPx, heightPx, channels } = image;
  if (channels === 1) return false;
  const table = linearTable(image);
  const sky = [0, 1, 2].map((channel) => {
    const values = [];
    for (let i = channel; i < data.length; i += SKY_EVERY * channels) values.push(table[data[i]]);
    return median(values);
  });
  const [ux, uy] = [Math.cos(axisRad), Math.sin(axisRad)];
  const reach = TO * radiusPx;
  /** Light by channel, and the same times its distance; towards the axis, then away from it. */
  const sides = [0, 1].map(() => ({ light: new Float64Array(3), moment: new Float64Array(3) }));
  let all = 0;
  for (let y = Math.max(0, Math.ceil(yPx - reach)); y <= Math.min(heightPx - 1, yPx + reach); y++)
    for (let x = Math.max(0, Math.ceil(xPx - reach)); x <= Math.min(widthPx - 1, xPx + reach); x++) {
      const [dx, dy] = [x - xPx, y - yPx];
      const r = Math.hypot(dx, dy);
      if (r > reach) continue;
      const { light, moment } = sides[dx * ux + dy * uy > 0 ? 0 : 1];
      for (let c = 0; c < 3; c++) {
        const value = table[data[(y * widthPx + x) * channels + c]] - sky[c];
        all += value;
        if (r < FROM * radiusPx) continue;
        light[c] += value;
        moment[c] += value * r;
      }
    }
  return sides.every(({ light: [red, green, blue], moment }) => {
    const ratio = moment[0] / red / (moment[2] / blue);
    return red + green + blue > LEAST_SHARE * all && Math.min(red, blue) > 0 && ratio > LEAST_RATIO;
  });
}
