import type { Samples } from '../base/numbers.js';
import { sineSums, type SineGuess } from '../kernel/sums.js';

/** y ≈ a · cos(2πft) + b · sin(2πft) + offset = amplitude · cos(2πft + angle) + offset. */
export interface SineFit {
  /** Hz */
  readonly frequency: number;
  readonly a: number;
  readonly b: number;
  readonly offset: number;
  /** Unit of y, ≥ 0. */
  readonly amplitude: number;
  /** rad */
  readonly angle: number;
  /** Root mean square of what is left over, divisor n, unit of y. */
  readonly residual: number;
}

/**
 * Fits a sine of known frequency, or returns undefined when the record cannot hold one.
 *
 * @param y - n ≥ 4 samples; the first is at t = 0.
 * @param rate - Samples a second.
 * @param frequency - Hz.
 *
 * Source: IEEE Std 1057, three-parameter fit (from memory).
 * Check: tests/checks/sine.check.ts.
 */
export function fitSine(y: Samples, rate: number, frequency: number): SineFit | undefined {
  const start = { w: (2 * Math.PI * frequency) / rate, a: 0, b: 0, offset: 0 };
  // The second round works on what the first left over, and takes up what it rounded off.
  const first = improved(y, start, 3);
  const second = first && improved(y, first.guess, 3);
  return second && fitOf(y, rate, second);
}

/** A guess after one round, and the sum of squares that it leaves over. */
interface Round {
  readonly guess: SineGuess;
  readonly squares: number;
}

/** Makes one Gauss-Newton round with the first three columns, or with all four: the frequency too. */
function improved(y: Samples, guess: SineGuess, columns: 3 | 4): Round | undefined {
  if (y.length <= columns) return undefined;
  const { products, rest, squares } = sineSums(y, guess);
  const step = solvePositive(products, rest, columns);
  if (step === undefined) return undefined;
  const [a = 0, b = 0, offset = 0, turn = 0] = step;
  if (!Number.isFinite(a + b + offset + turn)) return undefined;
  return {
    guess: {
      w: guess.w + turn / (y.length - 1),
      a: guess.a + a,
      b: guess.b + b,
      offset: guess.offset + offset,
    },
    squares: Math.max(
      0,
      step.reduce((left, s, k) => left - s * (rest[k] as number), squares),
    ),
  };
}

function fitOf(y: Samples, rate: number, { guess, squares }: Round): SineFit {
  const { w, a, b, offset } = guess;
  return {
    frequency: (w * rate) / (2 * Math.PI),
    a,
    b,
    offset,
    amplitude: Math.hypot(a, b),
    angle: Math.atan2(-b, a),
    residual: Math.sqrt(squares / y.length),
  };
}

const DEPENDENT = 1e-13; // share of a column that the columns before leave over, squared

/**
 * Solves the normal equations of at most four columns by elimination.
 *
 * @param upper - Upper triangle of the 4 × 4 products, row by row.
 * @returns undefined when the columns are linearly dependent.
 */
function solvePositive(
  upper: Float64Array,
  right: Float64Array,
  size: 3 | 4,
): readonly number[] | undefined {
  const order = Array.from({ length: size }, (_, i) => i);
  const place = (i: number, j: number): number =>
    (Math.min(i, j) * (7 - Math.min(i, j))) / 2 + Math.max(i, j);
  const rows = order.map((i) => [
    ...order.map((j) => upper[place(i, j)] as number),
    right[i] as number,
  ]);
  for (const [p, pivot] of rows.entries()) {
    const head = pivot[p] as number;
    if (!(head > DEPENDENT * (upper[place(p, p)] as number))) return undefined;
    for (const row of rows.slice(p + 1)) {
      const share = (row[p] as number) / head;
      for (let j = p; j <= size; j++) row[j] = (row[j] as number) - share * (pivot[j] as number);
    }
  }
  const solution = order.map(() => 0);
  for (const i of order.toReversed()) {
    const row = rows[i] as readonly number[];
    const known = order
      .slice(i + 1)
      .reduce((sum, j) => sum + (row[j] as number) * (solution[j] as number), 0);
    solution[i] = ((row[size] as number) - known) / (row[i] as number);
  }
  return solution;
}

const ROUNDS = 30;
const SETTLED = 1e-13; // change of the frequency in a round, of the frequency

/**
 * Fits a sine and its frequency.
 *
 * @param start - First guess of the frequency, Hz; within half a cycle over the whole record.
 * @returns The fit, or undefined when the rounds do not settle.
 *
 * Source: IEEE Std 1057, four-parameter fit (from memory).
 * Check: tests/checks/sine.check.ts.
 */
export function fitSineAndFrequency(y: Samples, rate: number, start: number): SineFit | undefined {
  const first = fitSine(y, rate, start);
  if (first === undefined) return undefined;
  let guess: SineGuess = { ...first, w: (2 * Math.PI * start) / rate };
  for (let round = 0; round < ROUNDS; round++) {
    const next = improved(y, guess, 4);
    if (next === undefined) return undefined;
    if (Math.abs(next.guess.w - guess.w) <= SETTLED * guess.w) return fitOf(y, rate, next);
    guess = next.guess;
  }
  return undefined;
}

/**
 * Signal-to-noise ratio of a full-scale sine through an ideal converter, dB: 6.02 · bits + 1.76.
 *
 * Source: IEEE Std 1241 (from memory), not rounded. Check: tests/checks/sine.check.ts.
 */
export function idealRatio(bits: number): number {
  return 20 * Math.log10(2 ** bits * Math.sqrt(1.5));
}

/**
 * Effective number of bits of a converter from what a sine fit leaves over.
 *
 * @param range - Full range, unit of y. @param residual - Root mean square, unit of y, above 0.
 *
 * Source: IEEE Std 1057: bits − log2(residual / (step/√12)) (from memory).
 * Check: tests/checks/sine.check.ts.
 */
export function effectiveBits(range: number, residual: number): number {
  return Math.log2(range / (residual * Math.sqrt(12)));
}

/**
 * Effective number of bits from a ratio of signal to noise and distortion, dB.
 *
 * Source: IEEE Std 1241, with the rounded constants of its rule 6.02 · bits + 1.76 (from memory).
 * Check: tests/checks/sine.check.ts.
 */
export function bitsOfRatio(ratio: number): number {
  return (ratio - 1.76) / 6.02;
}

/**
 * Greatest signal-to-noise ratio that jitter of the sampling instants leaves a sine, dB.
 *
 * @param frequency - Hz, above 0. @param jitter - Root mean square, s, above 0.
 *
 * Source: −20·lg(2πfσ), textbook (from memory). Check: tests/checks/sine.check.ts.
 */
export function jitterRatio(frequency: number, jitter: number): number {
  return -20 * Math.log10(2 * Math.PI * frequency * jitter);
}
