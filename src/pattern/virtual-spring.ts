import type { VirtualSpringPattern } from '../procedure/procedure.js';
import type { Wheel } from './waveform.js';

/** s at the start of each rung during which the wheel is kicked. */
export const KICK = 0.05;
/** Share by which a rung may exceed the last stiffness: what a product of decimals is off by. */
const ROUNDING = 1e-9;

/** One stiffness with its place in the pattern. */
export interface Rung {
  /** N·m/rad */
  readonly stiffness: number;
  /** s since the start of the pattern. */
  readonly from: number;
  readonly to: number;
}

/** Lists the rungs of the ladder, softest first: from, from · factor, … up to `to`. */
export function rungsOf({ stiffness, dwell }: VirtualSpringPattern): readonly Rung[] {
  const { from, to, factor } = stiffness;
  // A factor of 1 or less, or an empty range, would never reach the end: one rung then.
  const steps = factor > 1 && to > from ? Math.log(to / from) / Math.log(factor) : 0;
  const count = Math.floor(steps * (1 + ROUNDING) + ROUNDING) + 1;
  return Array.from({ length: count }, (_, i) => ({
    stiffness: from * factor ** i,
    from: i * dwell,
    to: (i + 1) * dwell,
  }));
}

/** The kick on the wheel, N·m, at a time in s since the start of the pattern. */
export function kickAt({ kick, dwell }: VirtualSpringPattern, time: number): number {
  const since = time - Math.floor((time + 1e-9) / dwell) * dwell;
  return since < KICK - 1e-9 ? kick : 0;
}

/** The wheel of a pattern, its stiffness sampled at each of `count` updates, `rate` a second. */
export function wheelOf(pattern: VirtualSpringPattern, rate: number, count: number): Wheel {
  const rungs = rungsOf(pattern);
  const stiffness = Float64Array.from({ length: count }, (_, i) => {
    const rung = Math.min(rungs.length - 1, Math.floor((i / rate + 1e-9) / pattern.dwell));
    return rungs[rung]?.stiffness ?? 0;
  });
  const { inertia, drag } = pattern.wheel;
  return { inertia, drag, stiffness, damping: pattern.damping, limit: pattern.limit };
}
