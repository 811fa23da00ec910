/** Where something stands above the sky, and which pixels belong to it. */

/** One peak of the filtered picture with the pixels that flow down from it. */
export interface Peak {
  /** Label of its pixels in the map, from 1. */
  label: number;
  xPx: number;
  yPx: number;
  /** Height of the filtered picture. */
  height: number;
}

/** Pixels above this share of the detection threshold are given to a peak, so that neighbours are kept apart. */
const FOOT = 0.5;
/** A side peak stands on its own when it rises this far above the saddle: in noise σ, and as a part of its own height. */
const RISE_SIGMA = 3;
const RISE_PART = 0.12;

/**
 * Peaks of a picture whose noise is 1, after a matched filter. Pixels are taken from the highest down, each flows to the
 * peak of its highest neighbour; where two peaks meet, the lower one joins the higher unless it rises well above
 * the saddle (its topological persistence).
 * @param filtered row-major
 * @param labels of the same length, filled with the peaks' labels, 0 for sky
 */
export function detect(filtered: Float32Array, widthPx: number, threshold: number, labels: Int32Array): Peak[] {
  const heightPx = filtered.length / widthPx;
  const foot = FOOT * threshold;
  const bright: number[] = [];
  for (let y = 1; y < heightPx - 1; y++)
    for (let x = 1, at = y * widthPx + 1; x < widthPx - 1; x++, at++) if (filtered[at] > foot) bright.push(at);
  const order = Uint32Array.from(bright).sort((a, b) => filtered[b] - filtered[a] || a - b);
  labels.fill(0);
  const neighbours = [-widthPx - 1, -widthPx, -widthPx + 1, -1, 1, widthPx - 1, widthPx, widthPx + 1];
  /** Pixel index of each peak, and the label that a peak has joined. */
  const tops: number[] = [0];
  const joined: number[] = [0];
  const rootOf = (label: number) => {
    let root = label;
    while (joined[root] !== root) root = joined[root];
    joined[label] = root;
    return root;
  };
  for (const at of order) {
    let to = 0;
    for (const step of neighbours) {
      const label = labels[at + step];
      if (label === 0) continue;
      const root = rootOf(label);
      if (to === 0) to = root;
      else if (root !== to) {
        const [high, low] = filtered[tops[root]] > filtered[tops[to]] ? [root, to] : [to, root];
        const rise = filtered[tops[low]] - filtered[at];
        if (rise < Math.max(RISE_SIGMA, RISE_PART * filtered[tops[low]])) joined[low] = high;
        to = high;
      }
    }
    if (to === 0) {
      to = tops.length;
      tops.push(at);
      joined.push(to);
    }
    labels[at] = to;
  }
  for (const at of order) {
    const root = rootOf(labels[at]);
    labels[at] = filtered[tops[root]] >= threshold ? root : 0;
  }
  return tops.flatMap((at, label) =>
    label > 0 && joined[label] === label && filtered[at] >= threshold
      ? [{ label, xPx: at % widthPx, yPx: Math.floor(at / widthPx), height: filtered[at] }]
      : [],
  );
}
