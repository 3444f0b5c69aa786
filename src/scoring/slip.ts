import type { Samples } from '../base/numbers.js';
import type { Repeats } from './spectrum.js';

/** N·m: change of shaft torque over which a bearing goes from sliding one way to sliding the other is twice this. */
const REACH = 0.05;

/**
 * Reckons how the friction of a bearing of 1 N·m goes along with a periodic torque in the shaft.
 *
 * The shaft turns by its torque over its stiffness. Friction springs along with the first little turn
 * after a reversal, then slides: an elastic element in series with a sliding one, twice round the
 * mean period so that it has forgotten where it started.
 *
 * @param torque - Samples of the transducer, N·m.
 * @param repeats - Where the periods lie.
 * @returns One period, −1 … 1, positive against growing torque.
 *
 * Source: Prandtl 1928, elastic-plastic element (from memory).
 * Check: tests/unit/gates-dynamic.test.ts.
 */
export function slipOf(torque: Samples, { start, period, periods }: Repeats): Float64Array {
  const mean = new Float64Array(period);
  for (let i = 0; i < period * periods; i++) {
    const at = i % period;
    mean[at] = (mean[at] as number) + (torque[start + i] as number) / periods;
  }
  const slip = new Float64Array(period);
  let state = 0;
  let before = mean[0] ?? 0;
  for (let i = 0; i < 2 * period; i++) {
    const here = mean[i % period] as number;
    state = Math.max(-1, Math.min(1, state + (here - before) / REACH));
    before = here;
    slip[i % period] = state;
  }
  return slip;
}
