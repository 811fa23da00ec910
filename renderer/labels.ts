/** A text that belongs to a point of a drawing, and where its middle is to stand. Lengths in the drawing's units. */
export interface Label {
  text: string;
  x: number;
  y: number;
  /** Height of its letters. */
  size: number;
}

/** How far a label's middle stands from its point, beside half its own width. */
const AWAY = 8;

/** Sets labels above, below, left or right of their points, so that none covers another or a point, where that can be. */
export function placeLabels(wanted: Label[]): Label[] {
  const boxOf = ({ text, x, y, size }: Label) => ({ x, y, halfWidth: 0.28 * size * text.length, halfHeight: size / 2 });
  const taken = wanted.map(({ x, y }) => ({ x, y, halfWidth: 4, halfHeight: 4 }));
  return wanted.map((label, own) => {
    const side = boxOf(label).halfWidth + AWAY;
    const spots = [
      { x: label.x, y: label.y - AWAY - label.size / 4 },
      { x: label.x, y: label.y + AWAY + label.size / 4 },
      { x: label.x + side, y: label.y },
      { x: label.x - side, y: label.y },
    ].map((spot) => ({ ...label, ...spot }));
    const isFree = (spot: Label) => {
      const box = boxOf(spot);
      return taken.every(
        (other, i) =>
          i === own ||
          Math.abs(other.x - box.x) >= other.halfWidth + box.halfWidth ||
          Math.abs(other.y - box.y) >= other.halfHeight + box.halfHeight,
      );
    };
    const best = spots.find(isFree) ?? spots[0];
    taken.push(boxOf(best));
    return best;
  });
}
