/** How long faint stars take: frames of one drifting star added up, its spots from well seen to below the noise. */
import { LiveMeasurer } from '../../core/pattern/live.ts';
import { truth } from '../../core/simulator/scene.ts';
import { driftingStar, joined } from './drifting.ts';
import { rms, UNKNOWN_OPTICS } from './measurement.ts';

export interface FaintRow {
  /** Peak signal-to-noise of the spots in one frame. */
  spotSnr: number;
  frames: number;
  /** Mean number of frames to the first reading, and of readings in all. */
  first: number;
  readings: number;
  /** σ of all readings together over the bound of all frames together. */
  sigmaOverBound: number;
  /** Their error over that bound, RMS over the seeds. */
  errorOverBound: number;
  /** RMS of error / σ of the single readings. */
  spread: number;
}

const SNRS = [4, 2, 1, 0.5];
const FRAMES = [32, 128, 512];

/** @param seeds stars of each brightness */
export async function benchFaint(seeds: number[], progress: (done: number) => void): Promise<FaintRow[]> {
  const longest = Math.max(...FRAMES);
  return SNRS.flatMap((spotSnr, index) => {
    const runs = seeds.map((seed) => {
      const faint = driftingStar(spotSnr, seed);
      const live = new LiveMeasurer();
      const known = truth(faint.scene).offsetPx;
      const seen = Array.from({ length: longest }, (_, n) => {
        const reading = live.measure(faint.frame(0.05 * n - 13, 4 * Math.sin(n / 25)), UNKNOWN_OPTICS);
        return reading.status === 'measured' ? [{ n: n + 1, reading, error: reading.offsetPx - known }] : [];
      }).flat();
      return { faint, seen, known };
    });
    progress(index + 1);
    return FRAMES.map((frames): FaintRow => {
      const parts = runs.map(({ faint, seen, known }) => {
        const upTo = seen.filter(({ n }) => n <= frames);
        const { offsetPx, sigmaPx } = joined(upTo.map(({ reading }) => reading));
        const boundPx = faint.boundPx / Math.sqrt(frames);
        return { upTo, sigma: sigmaPx / boundPx, error: (offsetPx - known) / boundPx };
      });
      const mean = (values: number[]) => values.reduce((a, b) => a + b, 0) / values.length;
      const measured = parts.filter(({ upTo }) => upTo.length > 0);
      return {
        spotSnr,
        frames,
        first: mean(measured.map(({ upTo }) => upTo[0].n)),
        readings: mean(parts.map(({ upTo }) => upTo.length)),
        sigmaOverBound: mean(measured.map(({ sigma }) => sigma)),
        errorOverBound: rms(measured.map(({ error }) => error)),
        spread: rms(parts.flatMap(({ upTo }) => upTo.map(({ error, reading }) => error / reading.offsetSigmaPx))),
      };
    });
  });
}
