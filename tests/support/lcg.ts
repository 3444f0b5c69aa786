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
