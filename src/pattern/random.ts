/**
 * Makes a generator of numbers in [0, 1) from a seed: same seed, same numbers, on every machine.
 *
 * The algorithm is known as mulberry32: a 32-bit counter with a fixed odd increment, each state
 * scrambled by two rounds of multiply and shift. 2^32 numbers until it repeats. Not for secrets.
 *
 * @param seed - Any integer; its lowest 32 bits count.
 *
 * Source: mulberry32, public domain (from memory).
 * Check: tests/unit/multisine.test.ts, against the same steps in unbounded integers.
 */
export function seeded(seed: number): () => number {
  let state = seed | 0;
  return () => {
    state = (state + 0x6d2b79f5) | 0;
    let word = Math.imul(state ^ (state >>> 15), state | 1);
    word ^= word + Math.imul(word ^ (word >>> 7), word | 61);
    return ((word ^ (word >>> 14)) >>> 0) / 2 ** 32;
  };
}

/** Exponents of primitive polynomials over two elements, besides the constant: one per register length. */
const TAPS: Readonly<Record<number, readonly number[]>> = {
  3: [3, 2],
  4: [4, 3],
  5: [5, 3],
  6: [6, 5],
  7: [7, 6],
  8: [8, 6, 5, 4],
  9: [9, 5],
  10: [10, 7],
  11: [11, 9],
  12: [12, 6, 4, 1],
  13: [13, 4, 3, 1],
  14: [14, 5, 3, 1],
  15: [15, 14],
  16: [16, 15, 13, 4],
};

export const SHORTEST_REGISTER = 3;
export const LONGEST_REGISTER = 16;

/**
 * Produces one period of a maximal-length binary signal: 2^order − 1 values of +1 or −1, one more
 * of +1 than of −1.
 *
 * @param order - Length of the shift register, a whole number 3 … 16.
 * @throws plain Error for another order; the procedure schema refuses it before.
 *
 * Source: orders 9, 11 and 15: polynomials of ITU-T O.150 (from memory); the others: common tables
 * of primitive polynomials (from memory). That each period is complete is tested, not believed.
 * Check: tests/unit/shapes.test.ts.
 */
export function maximalLengthSignal(order: number): Int8Array {
  const taps = TAPS[order];
  if (taps === undefined) throw new Error(`no shift register of length ${order}`);
  const length = 2 ** order - 1;
  const signal = new Int8Array(length);
  let register = length; // all ones; only all zeros would never leave its state
  for (let i = 0; i < length; i++) {
    signal[i] = (register & 1) === 1 ? 1 : -1;
    let fed = 0;
    for (const tap of taps) fed ^= (register >> (order - tap)) & 1;
    register = (register >> 1) | (fed << (order - 1));
  }
  return signal;
}
