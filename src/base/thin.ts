import type { Samples } from './numbers.js';

/** Some samples of a trace, in order. */
export interface Thinned {
  /** Index in the trace, strictly rising. */
  readonly index: Uint32Array;
  readonly value: Float64Array;
}

/**
 * Thins a trace for drawing without losing a spike: each column keeps its least and its greatest
 * sample where they are, and the first and last sample of the trace stay.
 *
 * @param samples - Any length. A column that is NaN throughout keeps one NaN, so that a gap is
 * drawn as one; single NaN among numbers are dropped.
 * @param columns - At least 1; no more than 2 · columns + 2 samples are returned.
 * @returns All samples when there are no more than that.
 *
 * Check: tests/unit/screen.test.ts.
 */
export function thin(samples: Samples, columns: number): Thinned {
  const count = samples.length;
  if (count <= 2 * columns + 2) return pick(samples, Array.from(samples.keys()));
  const kept = [0];
  for (let column = 0; column < columns; column++) {
    const from = Math.floor((column * count) / columns);
    const to = Math.floor(((column + 1) * count) / columns);
    for (const index of extremes(samples, from, to))
      if (index > (kept.at(-1) ?? 0)) kept.push(index);
  }
  if (kept.at(-1) !== count - 1) kept.push(count - 1);
  return pick(samples, kept);
}

/** Indices of the least and greatest sample, in order; of the first when there is no number. */
function extremes(samples: Samples, from: number, to: number): readonly number[] {
  let [least, most] = [-1, -1];
  for (let i = from; i < to; i++) {
    const value = samples[i] as number;
    if (Number.isNaN(value)) continue;
    if (least < 0 || value < (samples[least] as number)) least = i;
    if (most < 0 || value > (samples[most] as number)) most = i;
  }
  if (least < 0) return [from];
  return least < most ? [least, most] : [most, least];
}

function pick(samples: Samples, indices: readonly number[]): Thinned {
  return {
    index: Uint32Array.from(indices),
    value: Float64Array.from(indices, (index) => samples[index] as number),
  };
}
