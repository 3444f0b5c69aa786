import { histogramOf } from '../kernel/sums.js';
import { mean } from './line.js';

/** The two levels between which a waveform changes. */
export interface StateLevels {
  readonly low: number;
  readonly high: number;
}

const BINS = 100;

/**
 * Finds the two state levels of a waveform as the fullest bins of the lower and upper half of its
 * histogram. Peaks and noise, which move the least and greatest value, do not move a mode.
 *
 * @param y - Any unit, n ≥ 2; two plateaus with a transition.
 * @returns Centres of the bins, good to one bin: 1 % of the range. undefined for constant samples
 *   and for one that is not finite.
 *
 * Source: IEEE Std 181-2011, 5.2, histogram method, mode variant (from memory).
 * Check: tests/checks/transition.check.ts.
 */
export function histogramLevels(y: ArrayLike<number>): StateLevels | undefined {
  const histogram = histogramOf(y, BINS);
  if (histogram === undefined) return undefined;
  const { counts, least, width } = histogram;
  const centre = (bin: number): number => least + (bin + 0.5) * width;
  return {
    low: centre(fullest(counts, 0, BINS / 2)),
    high: centre(fullest(counts, BINS / 2, BINS)),
  };
}

function fullest(counts: Float64Array, from: number, to: number): number {
  let best = from;
  for (let i = from + 1; i < to; i++) {
    if ((counts[i] as number) > (counts[best] as number)) best = i;
  }
  return best;
}

/**
 * Finds the level of a plateau as the mean of its last fifth, after the response has settled.
 *
 * @param y - Samples; the plateau is `y[from … to)`, at least 5 samples.
 * @returns NaN when there are none or one is not finite.
 *
 * Source: common practice, no source; IEEE Std 181 permits other methods when stated (from memory).
 * Check: tests/checks/transition.check.ts.
 */
export function plateauLevel(y: ArrayLike<number>, from: number, to: number): number {
  return mean(y, Math.floor(to - 0.2 * (to - from)), to);
}
