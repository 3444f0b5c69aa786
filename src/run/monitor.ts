import { BLOCK_SECONDS, type Block } from '../bench/bench.js';
import type { Quantity } from '../base/units.js';

/** Share above the ceiling at which power is cut; below it lie ripple, noise and overshoot. */
const ALLOWANCE = 1.1;
/** s in a row above it: longer than an overshoot of a healthy current loop. */
const RUN = 2e-3;

/**
 * Watches torque for more than the ceiling, block by block.
 *
 * The motor side is watched sample by sample. The transducer rings with the stand by up to a third
 * of a full step, so its mean over 20 ms is watched instead: ringing averages out, torque stays.
 *
 * @param ceiling - N·m.
 * @param torqueConstant - N·m/A, nominal.
 * @param rate - Samples a second.
 * @returns A function from each block to a sentence when power must be cut, else undefined.
 */
export function torqueMonitor(
  ceiling: Quantity<'N·m'>,
  torqueConstant: Quantity<'N·m/A'>,
  rate: Quantity<'Hz'>,
): (block: Block) => string | undefined {
  const most = ceiling * ALLOWANCE;
  const longest = Math.max(1, Math.round(RUN * rate));
  const window = new MeanWindow(Math.max(1, Math.round(BLOCK_SECONDS * rate)));
  let run = 0;
  return ({ samples }) => {
    const { current, torque } = samples;
    if (current === undefined || torque === undefined) {
      return 'Power was cut: a block came without motor current or torque, so nobody watches them.';
    }
    for (const sample of current) {
      // Written so that NaN counts as too much: what cannot be read cannot be trusted.
      const within = Math.abs(sample) * torqueConstant <= most;
      run = within ? 0 : run + 1;
      if (run >= longest)
        return exceeded('the motor current stands for', sample * torqueConstant, most);
    }
    const mean = window.add(torque);
    if (mean === undefined || Math.abs(mean) <= most) return undefined;
    return exceeded('the transducer read', mean, most);
  };
}

function exceeded(who: string, torque: number, most: number): string {
  return `Power was cut: ${who} ${torque.toFixed(2)} N·m, allowed ±${most.toFixed(2)} N·m.`;
}

/** Means over so many samples each, however they are cut into blocks. */
class MeanWindow {
  private sum = 0;
  private count = 0;

  constructor(private readonly length: number) {}

  /** @returns The mean, when there are enough samples for one; NaN when one of them is none, or none came. */
  add(samples: Float32Array): number | undefined {
    if (samples.length === 0) return Number.NaN;
    for (const sample of samples) this.sum += sample;
    this.count += samples.length;
    if (this.count < this.length && !Number.isNaN(this.sum)) return undefined;
    const mean = this.sum / this.count;
    this.sum = 0;
    this.count = 0;
    return mean;
  }
}
