import type { Samples } from '../base/numbers.js';
import { leastSquares } from './line.js';

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
  const w = (2 * Math.PI * frequency) / rate;
  const cos = Float64Array.from({ length: y.length }, (_, n) => Math.cos(w * n));
  const sin = Float64Array.from({ length: y.length }, (_, n) => Math.sin(w * n));
  const one = new Float64Array(y.length).fill(1);
  const fit = leastSquares([cos, sin, one], y);
  if (fit === undefined) return undefined;
  const [a, b, offset] = fit.coefficients as readonly [number, number, number];
  const residual = Math.sqrt(fit.residualSquares / y.length);
  return {
    frequency,
    a,
    b,
    offset,
    amplitude: Math.hypot(a, b),
    angle: Math.atan2(-b, a),
    residual,
  };
}

const ROUNDS = 30;

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
  const one = new Float64Array(y.length).fill(1);
  const seconds = (y.length - 1) / rate;
  let current = fitSine(y, rate, start);
  for (let round = 0; round < ROUNDS && current !== undefined; round++) {
    const { a, b, frequency } = current;
    const w = (2 * Math.PI * frequency) / rate;
    const cos = one.map((_, n) => Math.cos(w * n));
    const sin = one.map((_, n) => Math.sin(w * n));
    // Time in records, not seconds: all columns are then of one size.
    const turn = one.map((_, n) => {
      const t = n / (y.length - 1);
      return t * (b * (cos[n] as number) - a * (sin[n] as number));
    });
    const step = leastSquares([cos, sin, one, turn], y)?.coefficients[3];
    if (step === undefined) return undefined;
    const change = step / (2 * Math.PI * seconds);
    current = fitSine(y, rate, frequency + change);
    if (Math.abs(change) <= 1e-13 * frequency) return current;
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
