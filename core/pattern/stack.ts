import { needAll, type PixelImage } from '../frame.ts';
import { starNear } from './candidates.ts';
import { linearTable } from './linear.ts';
import { SATURATION } from './samples.ts';

/** How far the star may have moved since the last frame, px. */
const REACH_PX = 12;
/** Its peak may have changed by this factor: more is another star, or another magnification. */
const SAME_LIGHT = 3;
/** A pixel counts as saturated when it was so in this share of the frames. */
const SATURATED_SHARE = 0.02;
const WHITE = 65535;

/**
 * Frames of one star added up in linear light, each shifted by whole pixels so that the star stays where it
 * was in the first one. Its drift is followed from frame to frame; the half pixel that is left blurs all spots
 * alike and so does not touch the offset. The turn of the sky in the seconds it takes is too small to matter.
 */
export class FrameStack {
  frames = 0;
  private image: Pick<PixelImage, 'widthPx' | 'heightPx' | 'channels'> | null = null;
  private sum = new Float32Array(0);
  /** Frames that cover a pixel, and those that were saturated there. */
  private covered = new Uint16Array(0);
  private saturated = new Uint16Array(0);
  private first = { xPx: 0, yPx: 0 };
  private last = { xPx: 0, yPx: 0, light: 0 };

  /** The star's place in the newest frame. */
  get star(): { xPx: number; yPx: number } {
    return { xPx: this.last.xPx, yPx: this.last.yPx };
  }

  /** Where the star of the newest frame stands, from where it stands in the mean. */
  get drift(): { xPx: number; yPx: number } {
    return { xPx: Math.round(this.last.xPx - this.first.xPx), yPx: Math.round(this.last.yPx - this.first.yPx) };
  }

  /**
   * Adds a frame.
   * @param star where the star is sought in a first frame; later ones are sought near the last
   * @returns false, with the stack empty, when the star is not to be found again, or the frame is of another size
   */
  add(image: PixelImage, star: { xPx: number; yPx: number }): boolean {
    const near = this.frames > 0 ? this.last : star;
    const found = starNear(image, near.xPx, near.yPx, REACH_PX);
    const { image: before } = this;
    const light = found?.peak ?? 0;
    const isSame =
      before?.widthPx === image.widthPx &&
      before.heightPx === image.heightPx &&
      before.channels === image.channels &&
      light < SAME_LIGHT * this.last.light &&
      light > this.last.light / SAME_LIGHT;
    if (!found || (this.frames > 0 && !isSame)) {
      this.clear();
      return false;
    }
    if (this.frames === 0) this.begin(image, found);
    this.last = { xPx: found.xPx, yPx: found.yPx, light };
    this.frames++;
    this.accumulate(image);
    return true;
  }

  clear(): void {
    this.frames = 0;
  }

  /** The mean of the frames, 16 bits linear, as large as they are; black where none reaches. */
  mean(): PixelImage {
    const { image, sum, covered, saturated } = this;
    if (!image || this.frames === 0) throw new RangeError('no frames to take the mean of');
    const colours = image.channels === 1 ? 1 : 3;
    const data = new Uint16Array(sum.length);
    for (let i = 0, at = 0; i < covered.length; i++) {
      const isSaturated = saturated[i] > SATURATED_SHARE * covered[i];
      const scale = covered[i] > 0 ? WHITE / covered[i] : 0;
      for (let c = 0; c < colours; c++, at++) data[at] = isSaturated ? WHITE : sum[at] * scale + 0.5;
    }
    const { widthPx, heightPx } = image;
    return { widthPx, heightPx, channels: colours, data, maxValue: WHITE, transfer: 'linear' };
  }

  private begin({ widthPx, heightPx, channels }: PixelImage, star: { xPx: number; yPx: number }): void {
    const pixels = widthPx * heightPx;
    const values = pixels * (channels === 1 ? 1 : 3);
    if (this.sum.length !== values || this.covered.length !== pixels) {
      this.sum = new Float32Array(values);
      this.covered = new Uint16Array(pixels);
      this.saturated = new Uint16Array(pixels);
    } else {
      this.sum.fill(0);
      this.covered.fill(0);
      this.saturated.fill(0);
    }
    this.image = { widthPx, heightPx, channels };
    this.first = { xPx: star.xPx, yPx: star.yPx };
  }

  private accumulate(image: PixelImage): void {
    const { widthPx: width, heightPx: height, channels, data } = image;
    const { sum, covered, saturated } = this;
    const table = linearTable(image);
    const colours = channels === 1 ? 1 : 3;
    const white = SATURATION * image.maxValue;
    needAll(image);
    const { xPx: dx, yPx: dy } = this.drift;
    const from = Math.max(0, -dx);
    const to = Math.min(width, width - dx);
    for (let y = Math.max(0, -dy); y < Math.min(height, height - dy); y++) {
      let at = y * width + from;
      let p = ((y + dy) * width + from + dx) * channels;
      for (let x = from; x < to; x++, at++, p += channels) {
        let isSaturated = false;
        for (let c = 0; c < colours; c++) {
          const value = data[p + c];
          sum[at * colours + c] += table[value];
          if (value >= white) isSaturated = true;
        }
        covered[at]++;
        if (isSaturated) saturated[at]++;
      }
    }
  }
}
