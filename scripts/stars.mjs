/**
 * Makes core/sky/stars.ts, the bright stars, from two published catalogues:
 *   node scripts/stars.mjs bsc5.dat IAU-CSN.txt
 * bsc5.dat: D. Hoffleit & W. H. Warren, The Bright Star Catalogue, 5th revised edition (1991), CDS V/50
 * (columns as in its ReadMe). IAU-CSN.txt: IAU Catalog of Star Names, IAU Working Group on Star Names, CC BY.
 */
import { readFileSync, writeFileSync } from 'node:fs';

const FAINTEST = 3;
/** What stands closer together than this shines as one, degrees. */
const ONE_LIGHT_DEG = 60 / 3600;

const GREEK =
  'Alp α Bet β Gam γ Del δ Eps ε Zet ζ Eta η The θ Iot ι Kap κ Lam λ Mu μ Nu ν Xi ξ Omi ο Pi π Rho ρ Sig σ Tau τ Ups υ Phi φ Chi χ Psi ψ Ome ω';
const letters = new Map(GREEK.match(/\S+ \S+/g).map((pair) => pair.split(' ')));

const [, , catalogueFile, namesFile] = process.argv;
const nameOf = new Map();
for (const line of readFileSync(namesFile, 'utf8').split('\n')) {
  const hr = /^HR (\d+)/.exec(line.slice(18, 36));
  if (hr) nameOf.set(Number(hr[1]), line.slice(0, 18).trim());
}

function starOf(line) {
  const column = (from, to) => line.slice(from - 1, to).trim();
  const number = (from, to) => Number(column(from, to));
  const sign = column(84, 84) === '-' ? -1 : 1;
  // Without a place: no star any more. Without a designation: T CrB, listed at the height of its outburst.
  if (column(76, 77) === '' || column(103, 107) === '' || column(5, 11) === '') return null;
  const greek = letters.get(column(8, 10));
  const index = column(11, 11).replace(/\d/, (digit) => '⁰¹²³⁴⁵⁶⁷⁸⁹'[Number(digit)]);
  return {
    name: nameOf.get(number(1, 4)) ?? '',
    designation: `${greek ? greek + index : column(5, 7)} ${column(12, 14)}`,
    raDeg: 15 * (number(76, 77) + number(78, 79) / 60 + number(80, 83) / 3600),
    decDeg: sign * (number(85, 86) + number(87, 88) / 60 + number(89, 90) / 3600),
    pmRaArcsec: number(149, 154),
    pmDecArcsec: number(155, 160),
    magnitude: number(103, 107),
    colour: number(110, 114),
  };
}

function distanceDeg(a, b) {
  const rad = Math.PI / 180;
  return Math.hypot((a.raDeg - b.raDeg) * Math.cos(a.decDeg * rad), a.decDeg - b.decDeg);
}

const stars = readFileSync(catalogueFile, 'latin1')
  .split('\n')
  .map(starOf)
  .filter((star) => star && star.magnitude < 6)
  .sort((a, b) => a.magnitude - b.magnitude);
const lights = [];
for (const star of stars) {
  const brighter = lights.find((light) => distanceDeg(light, star) < ONE_LIGHT_DEG);
  if (!brighter) {
    lights.push({ ...star });
    continue;
  }
  brighter.magnitude = -2.5 * Math.log10(10 ** (-0.4 * brighter.magnitude) + 10 ** (-0.4 * star.magnitude));
  brighter.name ||= star.name;
}
const rows = lights
  .filter((light) => light.magnitude <= FAINTEST)
  .sort((a, b) => a.raDeg - b.raDeg)
  .map((light) =>
    [
      light.name,
      light.designation,
      light.raDeg.toFixed(4),
      light.decDeg.toFixed(4),
      light.pmRaArcsec.toFixed(3),
      light.pmDecArcsec.toFixed(3),
      light.magnitude.toFixed(2),
      light.colour.toFixed(2),
    ].join('|'),
  );
writeFileSync(
  new URL('../core/sky/stars.ts', import.meta.url),
  `/**
 * Stars to magnitude ${FAINTEST}, made by scripts/stars.mjs. Places, motions, magnitudes, colours: The Bright Star Catalogue,
 * 5th revised edition (Hoffleit & Warren 1991, CDS V/50). Names: IAU Catalog of Star Names (IAU WGSN, CC BY).
 * Columns: name | designation | right ascension, declination, ° (J2000, FK5) | proper motion in right ascension
 * (times cos declination) and declination, arcsec a year | V | B−V. Pairs within an arc minute count as one light.
 */
export const STARS = \`
${rows.join('\n')}
\`;
`,
);
console.log(`${rows.length} stars, ${rows.filter((row) => row.startsWith('|')).length} without a name`);
