import type { Samples } from '../base/numbers.js';
import { convolve, correlateBlocks, type Ends } from '../kernel/transforms.js';
import { leastSquares } from './line.js';

/** Adds whole turns so that neighbours differ by half a turn at most. Angles in rad. */
export function unwrap(angles: Float64Array): Float64Array {
  const out = Float64Array.from(angles);
  for (let i = 1; i < out.length; i++) {
    const step = (out[i] as number) - (out[i - 1] as number);
    out[i] = (out[i] as number) - 2 * Math.PI * Math.round(step / (2 * Math.PI));
  }
  return out;
}

/** Angle of a pure delay at a frequency, °, negative for a late output. */
export function angleOfDelay(frequency: number, delay: number): number {
  return -360 * frequency * delay;
}

/** A delay in s with its standard uncertainty from noise alone. */
export interface Delay {
  readonly delay: number;
  readonly standardError: number;
}

/** Angles of a response at lines, for the delay they make up. */
export interface AngleLines {
  /** Hz, rising. */
  readonly frequency: Float64Array;
  /** rad, unwrapped, output against input. */
  readonly angle: Float64Array;
  /** γ², 0 … 1. */
  readonly coherence: Float64Array;
  /** How many periods or segments were averaged. */
  readonly averages: number;
}

const CLEAR = 1e-9; // the most a line may stand out: without noise every line counts alike

/**
 * Reads the delay from the slope of the angle over frequency, through the origin.
 *
 * Each line weighs as its coherence deserves; the standard error is then the lower bound for any
 * method.
 *
 * @returns NaN for both when no line tells anything, or one that bears on it is not finite.
 *
 * Source: Knapp & Carter, IEEE Trans. ASSP 24 (1976) 320; Carter, Proc. IEEE 75 (1987) (from memory).
 * Check: tests/checks/delay.check.ts.
 */
export function delayFromAngles(lines: AngleLines): Delay {
  let [turns, squares] = [0, 0];
  lines.frequency.forEach((f, i) => {
    const gamma = lines.coherence[i] as number;
    const weight = gamma / Math.max(1 - gamma, CLEAR);
    const w = 2 * Math.PI * f;
    turns -= weight * w * (lines.angle[i] as number);
    squares += weight * w * w;
  });
  const delay = turns / squares;
  if (!Number.isFinite(delay)) return { delay: Number.NaN, standardError: Number.NaN };
  return { delay, standardError: 1 / Math.sqrt(2 * lines.averages * squares) };
}

const LONG = 2 ** 17; // products: more are faster by transforms

/**
 * Correlates two records: R[k] = Σ x[n] · y[n + k] for k = from … to.
 *
 * @param ends - 'zero': nothing beyond the ends; 'periodic': the record repeats.
 *
 * Check: tests/checks/delay.check.ts.
 */
export function correlate(
  x: Samples,
  y: Samples,
  range: { readonly from: number; readonly to: number },
  ends: 'zero' | 'periodic',
): Float64Array {
  const n = x.length;
  const lags = range.to - range.from + 1;
  if (n * lags > LONG && y.length >= n)
    return correlateBlocks(x, ends === 'periodic' ? y.subarray(0, n) : y, { ...range, ends });
  return Float64Array.from({ length: lags }, (_, i) => {
    const k = range.from + i;
    let sum = 0;
    for (let j = 0; j < n; j++) {
      const at = ends === 'periodic' ? (((j + k) % n) + n) % n : j + k;
      if (at >= 0 && at < y.length) sum += (x[j] as number) * (y[at] as number);
    }
    return sum;
  });
}

const REACH = 511; // samples on either side
const STEEPNESS = 26.6; // window with side lobes of −250 dB

/**
 * Shifts a record by a fraction of a sample: y[n] = x(n + shift), x between samples by a windowed sinc.
 *
 * Exact to 1e-12 of the peak for what lies below 0.49 of the sample rate.
 *
 * @param shift - Samples; positive brings a late record forward.
 *
 * Source: Kaiser's window for a wanted attenuation: 0.1102 · (250 − 8.7) (from memory).
 * Check: tests/unit/kernel.test.ts.
 */
export function shifted(x: Samples, shift: number, ends: Ends): Float64Array {
  const whole = Math.round(shift);
  const part = shift - whole;
  const top = besselI0(STEEPNESS);
  const taps = Float64Array.from({ length: 2 * REACH + 1 }, (_, j) => {
    const away = j - REACH + part;
    const sinc =
      away === 0 ? 1 : ((-1) ** (j - REACH) * Math.sin(Math.PI * part)) / (Math.PI * away);
    const inside = Math.sqrt(1 - (away / (REACH + 0.5)) ** 2);
    return (sinc * besselI0(STEEPNESS * inside)) / top;
  });
  return convolve(x, taps, { from: whole + REACH, count: x.length, ends });
}

/** Modified Bessel function of order 0, by its series. */
function besselI0(x: number): number {
  let [sum, term] = [1, 1];
  for (let k = 1; term > 1e-17 * sum; k++) {
    term *= (x / (2 * k)) ** 2;
    sum += term;
  }
  return sum;
}

/**
 * Places the peak of a parabola through three neighbouring values.
 *
 * On a correlation it is biased towards whole samples, so it only checks other methods.
 *
 * @returns Offset from the middle value, −½ … ½ samples when it is the greatest, and the value at the
 *   peak; NaN for both when a value is not finite.
 *
 * Source: Jacovitti & Scarano 1993 (from memory). Check: tests/checks/delay.check.ts.
 */
export function parabolicPeak(
  before: number,
  middle: number,
  after: number,
): { readonly offset: number; readonly value: number } {
  const bend = before - 2 * middle + after;
  const offset = bend === 0 ? 0 : (before - after) / (2 * bend);
  const value = middle - ((before - after) * offset) / 4;
  return Number.isFinite(value) ? { offset, value } : { offset: Number.NaN, value: Number.NaN };
}

/** Torque in N·m at a time in s. */
export type ShapeOfTime = (time: number) => number;

/** y(t) ≈ gain · shape((1 + skew) · t − delay). */
export interface ShapeFit extends Delay {
  readonly gain: number;
  /** How much faster the clock of the shape runs than that of the samples. */
  readonly skew: number;
  /** Root mean square of what is left over, unit of y. */
  readonly residual: number;
}

export interface ShapeFitOptions {
  /** First guess of the delay, s. */
  readonly start: number;
  /** The skew where it is known; fitted when left out. */
  readonly skew?: number;
}

/**
 * Returns the least standard error with which any unbiased reading can tell the delay of a known
 * shape in white noise.
 *
 * @param slope - dy/dt of the shape at each sample, unit of y per s.
 * @param noise - Standard deviation of the noise of one sample, unit of y.
 * @returns s; Infinity for a shape that does not move.
 *
 * Source: Cramér–Rao bound, Kay, Estimation Theory (1993) 3.11 (from memory).
 * Check: tests/checks/delay.check.ts.
 */
export function leastDelayError(slope: ArrayLike<number>, noise: number): number {
  let energy = 0;
  for (let i = 0; i < slope.length; i++) energy += (slope[i] as number) ** 2;
  return noise / Math.sqrt(energy);
}

/**
 * Finds the delay and gain by which samples follow a known shape: the shift of highest correlation,
 * to a fraction of a sample.
 *
 * @param y - n samples.
 * @param time - n times in s, evenly spaced.
 * @param shape - Defined from a little before the first to a little after the last time.
 * @returns The fit, or undefined when the shape does not move or the rounds do not settle.
 *
 * Source: Gauss-Newton on least squares; bound for a known shape in white noise: Kay, Estimation
 * Theory (1993) 3.11 (from memory).
 * Check: tests/checks/delay.check.ts.
 */
export function fitShape(
  y: Float64Array,
  time: Float64Array,
  shape: ShapeOfTime,
  options: ShapeFitOptions,
): ShapeFit | undefined {
  const half = ((time[1] as number) - (time[0] as number)) / 2;
  let [delay, skew] = [options.start, options.skew ?? 0];
  for (let round = 0; round < 50; round++) {
    const at = time.map((t) => t * (1 + skew) - delay);
    const value = at.map(shape);
    const slope = at.map((t) => -(shape(t + half) - shape(t - half)) / (2 * half));
    const columns = [value, slope];
    if (options.skew === undefined) columns.push(slope.map((s, i) => -s * (time[i] as number)));
    const fit = leastSquares(columns, y);
    if (fit === undefined) return undefined;
    const [gain = 0, shift = 0, stretch = 0] = fit.coefficients;
    if (gain === 0) return undefined;
    delay += shift / gain;
    skew += stretch / gain;
    if (Math.abs(shift / gain) < 1e-9) {
      const standardError = (fit.deviations[1] as number) / Math.abs(gain);
      const residual = Math.sqrt(fit.residualSquares / y.length);
      return { delay, standardError, gain, skew, residual };
    }
  }
  return undefined;
}
