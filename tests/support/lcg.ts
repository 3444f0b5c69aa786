import { seeded } from '../../src/pattern/random.js';

/** Next state of the generator. Source: the check values B-7 in tests/checks/pattern.json. */
export function lcgStep(state: number): number {
  return (Math.imul(1664525, state) + 1013904223) >>> 0;
}

/** Makes a generator of numbers in [0, 1): same seed, same numbers. The seed itself is never used. */
export function lcg(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = lcgStep(state);
    return (state >>> 8) / 16777216;
  };
}

/** Makes a generator of normal deviates of mean 0 and standard deviation 1 (sum of 12 less 6). */
export function lcgNormal(seed: number): () => number {
  const random = lcg(seed);
  return () => {
    let sum = -6;
    for (let i = 0; i < 12; i++) sum += random();
    return sum;
  };
}

/**
 * Makes a generator of normal deviates whose tails are those of the distribution, for counting rare events.
 *
 * Source: mulberry32 of src/pattern/random.ts, checked there; Box and Muller, 1958 (from memory).
 */
export function normalDeviates(seed: number): () => number {
  const random = seeded(seed);
  let spare: number | undefined;
  return () => {
    if (spare !== undefined) {
      const kept = spare;
      spare = undefined;
      return kept;
    }
    const radius = Math.sqrt(-2 * Math.log(1 - random())); // 1 − u is above 0
    const turn = 2 * Math.PI * random();
    spare = radius * Math.sin(turn);
    return radius * Math.cos(turn);
  };
}
