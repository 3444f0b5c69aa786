import { hertz } from '../../src/base/units.js';
import type { Channel } from '../../src/bench/bench.js';
import type { Capture, Take } from '../../src/capture/capture.js';
import { lcgNormal } from './lcg.js';

/** What a take of the H12 stand is made of; 16-bit converters of ±20 N·m, ±30 A and 64 V. */
export interface TakeRecipe {
  readonly seconds?: number;
  readonly rate?: number;
  readonly seed?: number;
  readonly smoothing?: number;
  /** Torque in N·m at a time in s; the current follows it. */
  readonly torque?: (time: number) => number;
}

/** A healthy take with noise in every live channel; same recipe, same bits. */
export function makeTake(recipe: TakeRecipe = {}): Take {
  const { seconds = 2, rate = 20_000, seed = 1, smoothing = 2, torque = () => 0 } = recipe;
  const count = Math.round(seconds * rate);
  const noise = lcgNormal(seed);
  const sampled = (value: (time: number) => number, range: number): Float32Array =>
    Float32Array.from({ length: count }, (_, i) => {
      const digit = range / 32768;
      return Math.round(value(i / rate) / digit) * digit;
    });
  return {
    settings: { smoothing, fixture: 'coupled' },
    rate: hertz(rate),
    channels: {
      command: Float32Array.from({ length: count }, (_, i) => torque(i / rate)),
      current: sampled((time) => torque(time) / 0.6 + 0.02 * noise(), 30),
      torque: sampled((time) => torque(time) + 0.002 * noise(), 20),
      supply: sampled((time) => 48 - 0.02 * Math.abs(torque(time)) + 0.005 * noise(), 64),
      winding: new Float32Array(count).fill(23),
    },
    expected: count,
    gaps: [],
    misplaced: 0,
    clock: { skew: 40e-6, departure: 0 },
    device: {
      updates: Math.round(seconds * 1000),
      missing: 0,
      time: seconds * (1 + 40e-6),
      fault: 0,
    },
  };
}

/** The same take with a channel changed by hand. */
export function withChannel(
  take: Take,
  channel: Channel,
  change: (samples: Float32Array) => void,
): Take {
  const samples = take.channels[channel]?.slice() ?? new Float32Array(take.expected);
  change(samples);
  return { ...take, channels: { ...take.channels, [channel]: samples } };
}

export function captureOf(first: Take, ...others: Take[]): Capture {
  return { stage: 'sweep', takes: [first, ...others] };
}
