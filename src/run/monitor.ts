import type { Block } from '../bench/bench.js';
import type { Quantity } from '../base/units.js';

/** Share above the ceiling at which power is cut; below it lie ripple, noise and overshoot. */
const ALLOWANCE = 1.1;
/** Samples in a row above it: 2 ms at 20 kS/s, longer than an overshoot of a healthy current loop. */
const RUN = 40;

/**
 * Watches torque for more than the ceiling, block by block.
 *
 * The motor side is watched sample by sample. The transducer rings with the stand by up to a third
 * of a full step, so its mean over a block is watched instead: ringing averages out, torque stays.
 *
 * @param ceiling - N·m.
 * @param torqueConstant - N·m/A, nominal.
 * @returns A function from each block to a sentence when power must be cut, else undefined.
 */
export function torqueMonitor(
  ceiling: Quantity<'N·m'>,
  torqueConstant: Quantity<'N·m/A'>,
): (block: Block) => string | undefined {
  const most = ceiling * ALLOWANCE;
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
      if (run >= RUN)
        return exceeded('the motor current stands for', sample * torqueConstant, most);
    }
    const mean = meanOf(torque);
    return Math.abs(mean) <= most ? undefined : exceeded('the transducer read', mean, most);
  };
}

function exceeded(who: string, torque: number, most: number): string {
  return `Power was cut: ${who} ${torque.toFixed(2)} N·m, allowed ±${most.toFixed(2)} N·m.`;
}

function meanOf(samples: Float32Array): number {
  let sum = 0;
  for (const sample of samples) sum += sample;
  return samples.length === 0 ? NaN : sum / samples.length;
}
