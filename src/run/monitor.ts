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
  const mostCurrent = most / torqueConstant;
  let run = 0;
  return ({ samples }) => {
    for (const current of samples.current ?? []) {
      run = Math.abs(current) > mostCurrent ? run + 1 : 0;
      if (run >= RUN)
        return exceeded('the motor current stands for', Math.abs(current) * torqueConstant, most);
    }
    const mean = Math.abs(meanOf(samples.torque));
    if (mean > most) return exceeded('the transducer read', mean, most);
    return undefined;
  };
}

function exceeded(who: string, torque: number, most: number): string {
  return `Power was cut: ${who} ${torque.toFixed(2)} N·m, more than ${most.toFixed(2)} N·m.`;
}

function meanOf(samples: Float32Array | undefined): number {
  if (samples === undefined || samples.length === 0) return 0;
  let sum = 0;
  for (const sample of samples) sum += sample;
  return sum / samples.length;
}
