import type { PixelImage } from '../frame.ts';
import type { Measurement, NoPattern, Optics, Reading, ReasonCode } from '../measurement.ts';
import { starNear } from './candidates.ts';
import { Follower } from './measure.ts';
import { FrameStack } from './stack.ts';

/** Spots this many σ above the sky are measured well: what a batch of frames aims at. */
const WANTED_SNR = 6;
/** From here on single frames are left, and gone back to. */
const LEAST_SNR = 3;
const SINGLE_SNR = 5;
/** After so many frames without a pattern there is none: single frames are looked at again. */
const MOST_FRAMES = 512;
/** While nothing is measured yet every so many frames a single one is looked at: the mask may have been put on. */
const GLANCE_EVERY = 16;
/** What a star with faint spots may be told to be, where it is not bright itself (sum of three channels). */
const MAYBE_FAINT: ReasonCode[] = ['no-spots', 'pair-missing'];
const BRIGHT_PEAK = 1;
/** How far the brightest pixel may be from where the star was found, px. */
const STAR_REACH_PX = 12;

/**
 * Measures frame after frame of one live view, each by itself while it shows the spots. Where a star is seen whose
 * spots are too faint for that, frames are added up on the star until their mean can be measured; that reading
 * stands for the batch, and the next batch begins. So readings stay independent of each other and whoever
 * joins them over time need not know: σ falls as 1/√n all the way. A batch is as short as the spots allow, in
 * order that a turn of the ring is seen soon.
 */
export class LiveMeasurer {
  private readonly single = new Follower();
  private readonly batches = new Follower();
  private readonly stack = new FrameStack();
  /** Frames of the batch being gathered, 1 while single frames do. */
  private wanted = 1;
  private star = { xPx: 0, yPx: 0 };
  /** The last batch showed the pattern. */
  private seen = false;
  private reason: ReasonCode = 'too-dim';

  /**
   * As `measure`; while a batch is being gathered a `NoPattern` with `gathering` and the reason found last.
   * Frames may change size and the star its place at any time.
   */
  measure(image: PixelImage, optics: Optics): Reading {
    if (this.wanted === 1) return this.look(image, optics);
    if (!this.stack.add(image, this.star)) {
      this.wanted = 1;
      return this.look(image, optics);
    }
    const { frames, drift } = this.stack;
    this.star = this.stack.star;
    if (frames < this.wanted) {
      const glance = !this.seen && frames % GLANCE_EVERY === 0 ? this.single.measure(image, optics) : null;
      if (glance?.status !== 'measured') return this.gathering();
      this.wanted = 1;
      return glance;
    }
    const reading = this.batches.measure(this.stack.mean(), optics);
    this.seen = reading.status === 'measured';
    if (reading.status === 'measured') {
      const singleSnr = reading.snr / Math.sqrt(frames);
      const ideal = Math.ceil((WANTED_SNR / singleSnr) ** 2);
      this.wanted = singleSnr > SINGLE_SNR ? 1 : Math.max(2, Math.min(MOST_FRAMES, 2 * frames, ideal));
      this.stack.clear();
      return moved(reading, drift);
    }
    this.reason = reading.reason;
    this.wanted = 2 * frames;
    if (this.wanted <= MOST_FRAMES) return this.gathering();
    this.wanted = 1;
    return reading;
  }

  /** At a single frame; the next one begins a batch where the spots are too faint for that. */
  private look(image: PixelImage, optics: Optics): Reading {
    const reading = this.single.measure(image, optics);
    const faint = reading.status === 'measured' ? reading.snr < LEAST_SNR : mayBeFaint(reading, image);
    if (!faint || !reading.star) return reading;
    this.star = reading.star;
    this.stack.clear();
    this.wanted = 2;
    if (reading.status === 'measured') return reading;
    this.reason = reading.reason;
    return this.gathering();
  }

  private gathering(): NoPattern {
    const gathering = { frames: this.stack.frames, ofFrames: this.wanted };
    return { status: 'no-pattern', reason: this.reason, star: this.star, gathering };
  }
}

function mayBeFaint({ reason, star }: NoPattern, image: PixelImage): boolean {
  if (reason === 'too-dim') return true;
  if (!star || !MAYBE_FAINT.includes(reason)) return false;
  return (starNear(image, star.xPx, star.yPx, STAR_REACH_PX)?.peak ?? 0) < BRIGHT_PEAK;
}

function moved(reading: Measurement, by: { xPx: number; yPx: number }): Measurement {
  const move = <T extends { xPx: number; yPx: number }>(at: T): T => ({
    ...at,
    xPx: at.xPx + by.xPx,
    yPx: at.yPx + by.yPx,
  });
  return { ...reading, star: move(reading.star), spots: reading.spots.map(move) };
}
