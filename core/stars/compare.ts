/** Two shots of the same stars side by side: has focus become better? */
import { type Amount, middleOf } from './map.ts';
import type { Star, StarList } from './star.ts';

export interface Comparison {
  verdict: 'sharper' | 'same' | 'softer';
  /** Half-flux radius after over before. */
  ratio: Amount;
  /** Pairs of the same star; empty when the shots show different parts of the sky. */
  pairs: { before: Star; after: Star }[];
  /** Stars found in each. */
  stars: { before: number; after: number };
}

type Shot = Pick<StarList, 'widthPx' | 'heightPx' | 'stars'>;

/** Stars that are matched, the brightest. */
const MATCHED = 400;
/** Stars that vote on how the sky has moved. */
const VOTING = 60;
const VOTE_PX = 8;
const CLEAR_SNR = 15;
/** Changes are told from this many σ on, and this large. */
const SURE = 3;
const SEEN = 0.02;

/** @returns null when either shot has too few clear stars */
export function compareShots(before: Shot, after: Shot): Comparison | null {
  const clear = (star: Star) => star.snr >= CLEAR_SNR && !star.saturated;
  const pairs = sameStars(before, after).filter((pair) => clear(pair.before) && clear(pair.after));
  const stars = { before: before.stars.length, after: after.stars.length };
  if (pairs.length >= 5) {
    const logs = middleOf(pairs.map((pair) => Math.log(pair.after.hfrPx / pair.before.hfrPx)))!;
    const value = Math.exp(logs.value);
    return { ...judged({ value, sigma: value * logs.sigma }), pairs, stars };
  }
  const [old, now] = [before, after].map((shot) => middleOf(shot.stars.filter(clear).map((star) => star.hfrPx)));
  if (!old || !now) return null;
  const value = now.value / old.value;
  const sigma = value * Math.hypot(now.sigma / now.value, old.sigma / old.value);
  return { ...judged({ value, sigma }), pairs: [], stars };
}

function judged(ratio: Amount): Pick<Comparison, 'verdict' | 'ratio'> {
  const change = ratio.value - 1;
  if (Math.abs(change) < Math.max(SEEN, SURE * ratio.sigma)) return { verdict: 'same', ratio };
  return { verdict: change < 0 ? 'sharper' : 'softer', ratio };
}

/** From a place before to the place after: turn, scale and shift. */
interface Move {
  /** Scale times cosine and sine of the turn. */
  a: number;
  b: number;
  dx: number;
  dy: number;
}

/**
 * The same stars in both shots. The sky moves over a camera on a tripod and turns a little: differences between the
 * bright stars' places vote, turn by turn; then the nearest neighbours correct the move.
 */
export function sameStars(before: Shot, after: Shot): { before: Star; after: Star }[] {
  const [old, now] = [before, after].map((shot) => shot.stars.slice(0, MATCHED));
  let move = votedMove(old.slice(0, VOTING), now.slice(0, VOTING));
  if (!move) return [];
  let pairs: { before: Star; after: Star }[] = [];
  for (const reachPx of [1.5 * VOTE_PX, VOTE_PX, 4, 3]) {
    pairs = nearestPairs(old, now, move, reachPx);
    if (pairs.length < 4) return [];
    move = fittedMove(pairs);
  }
  // More than chance would give, were the stars strewn anew.
  const chance = (now.length * Math.PI * 3 ** 2) / (after.widthPx * after.heightPx);
  return pairs.length > 4 + 3 * chance * old.length ? pairs : [];
}

function votedMove(old: Star[], now: Star[]): Move | null {
  let best = { votes: 3, move: null as Move | null };
  for (let turnDeg = -8; turnDeg <= 8; turnDeg += 0.25) {
    const [a, b] = [Math.cos((turnDeg * Math.PI) / 180), Math.sin((turnDeg * Math.PI) / 180)];
    const votes = new Map<string, number>();
    for (const from of old)
      for (const to of now) {
        const [dx, dy] = [to.xPx - (a * from.xPx - b * from.yPx), to.yPx - (b * from.xPx + a * from.yPx)];
        // Into four overlapping bins, so that none is cut by an edge.
        for (const [i, j] of [
          [0, 0],
          [1, 0],
          [0, 1],
          [1, 1],
        ]) {
          const key = `${Math.floor(dx / VOTE_PX + i / 2)} ${Math.floor(dy / VOTE_PX + j / 2)} ${i}${j}`;
          const count = (votes.get(key) ?? 0) + 1;
          votes.set(key, count);
          if (count > best.votes) best = { votes: count, move: { a, b, dx, dy } };
        }
      }
  }
  return best.move;
}

function nearestPairs(old: Star[], now: Star[], { a, b, dx, dy }: Move, reachPx: number) {
  const taken = new Set<Star>();
  return old.flatMap((before) => {
    const [x, y] = [a * before.xPx - b * before.yPx + dx, b * before.xPx + a * before.yPx + dy];
    let after: Star | null = null;
    let nearestPx = reachPx;
    for (const star of now) {
      if (taken.has(star) || Math.abs(star.xPx - x) > nearestPx) continue;
      const distance = Math.hypot(star.xPx - x, star.yPx - y);
      if (distance < nearestPx) [after, nearestPx] = [star, distance];
    }
    if (!after) return [];
    taken.add(after);
    return [{ before, after }];
  });
}

/** Turn, scale and shift by least squares. */
function fittedMove(pairs: { before: Star; after: Star }[]): Move {
  const mean = (of: (pair: { before: Star; after: Star }) => number) =>
    pairs.reduce((sum, pair) => sum + of(pair), 0) / pairs.length;
  const [x, y] = [mean((p) => p.before.xPx), mean((p) => p.before.yPx)];
  const [toX, toY] = [mean((p) => p.after.xPx), mean((p) => p.after.yPx)];
  const squares = mean((p) => (p.before.xPx - x) ** 2 + (p.before.yPx - y) ** 2);
  const a = mean((p) => (p.before.xPx - x) * (p.after.xPx - toX) + (p.before.yPx - y) * (p.after.yPx - toY)) / squares;
  const b = mean((p) => (p.before.xPx - x) * (p.after.yPx - toY) - (p.before.yPx - y) * (p.after.xPx - toX)) / squares;
  return { a, b, dx: toX - (a * x - b * y), dy: toY - (b * x + a * y) };
}
