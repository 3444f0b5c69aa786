import type { Samples } from '../base/numbers.js';
import { convolve } from '../kernel/transforms.js';
import { fitPolynomial } from './curve.js';

/** Second-order section: y = b0·x + b1·x₁ + b2·x₂ − a1·y₁ − a2·y₂. */
export interface Section {
  readonly b: readonly [number, number, number];
  /** a0 = 1 is left out. */
  readonly a: readonly [number, number];
}

/** A low-pass with unit gain at zero frequency. */
export interface LowPass {
  readonly sections: readonly Section[];
  /** Hz */
  readonly cutoff: number;
  readonly rate: number;
}

/**
 * Designs a Butterworth low-pass by the bilinear transform, with the cut-off pre-warped.
 *
 * @param order - 1 or more.
 * @param cutoff - Frequency at which one pass is 3 dB down, Hz, below rate/2.
 * @param rate - Samples a second.
 *
 * Source: Butterworth poles and bilinear transform, textbook (from memory).
 * Check: tests/checks/spectrum.check.ts.
 */
export function butterworth(order: number, cutoff: number, rate: number): LowPass {
  const k = Math.tan((Math.PI * cutoff) / rate);
  const sections: Section[] = [];
  for (let pair = 0; pair < Math.floor(order / 2); pair++) {
    const damping = 2 * Math.sin((Math.PI * (2 * pair + 1)) / (2 * order));
    const scale = 1 / (1 + damping * k + k * k);
    const b = k * k * scale;
    sections.push({
      b: [b, 2 * b, b],
      a: [2 * (k * k - 1) * scale, (1 - damping * k + k * k) * scale],
    });
  }
  if (order % 2 === 1) {
    sections.push({ b: [k / (1 + k), k / (1 + k), 0], a: [(k - 1) / (1 + k), 0] });
  }
  return { sections, cutoff, rate };
}

/** Filters once, forwards, from rest. */
export function filterOnce(sections: readonly Section[], x: Samples): Float64Array {
  const y = Float64Array.from(x);
  for (const { b, a } of sections) {
    let [s1, s2] = [0, 0];
    for (let i = 0; i < y.length; i++) {
      const value = y[i] as number;
      const out = b[0] * value + s1;
      s1 = b[1] * value - a[0] * out + s2;
      s2 = b[2] * value - a[1] * out;
      y[i] = out;
    }
  }
  return y;
}

/**
 * Filters forwards and backwards: no delay, the gain of one pass squared.
 *
 * The ends are continued by a point reflection of the signal for three cycles of the cut-off.
 */
export function zeroPhase(filter: LowPass, x: Samples): Float64Array {
  const n = x.length;
  const pad = Math.max(0, Math.min(n - 1, Math.ceil((3 * filter.rate) / filter.cutoff)));
  const long = new Float64Array(n + 2 * pad);
  long.set(x, pad);
  const [first, last] = [x[0] as number, x[n - 1] as number];
  for (let i = 1; i <= pad; i++) {
    long[pad - i] = 2 * first - (x[i] as number);
    long[pad + n - 1 + i] = 2 * last - (x[n - 1 - i] as number);
  }
  const there = fromSteady(filter.sections, long).reverse();
  const back = fromSteady(filter.sections, there).reverse();
  return back.slice(pad, pad + n);
}

/** Filters as if the first value had stood for ever; the gain at zero frequency is 1. */
function fromSteady(sections: readonly Section[], x: Float64Array): Float64Array {
  const first = x[0] ?? 0;
  const y = filterOnce(
    sections,
    x.map((value) => value - first),
  );
  return y.map((value) => value + first);
}

/** Complex gain of one pass at `frequency` Hz. Check: tests/checks/spectrum.check.ts. */
export function gainOf(
  sections: readonly Section[],
  frequency: number,
  rate: number,
): { readonly re: number; readonly im: number } {
  const w = (2 * Math.PI * frequency) / rate;
  const [c1, s1, c2, s2] = [Math.cos(w), -Math.sin(w), Math.cos(2 * w), -Math.sin(2 * w)];
  let [re, im] = [1, 0];
  for (const { b, a } of sections) {
    const top = { re: b[0] + b[1] * c1 + b[2] * c2, im: b[1] * s1 + b[2] * s2 };
    const low = { re: 1 + a[0] * c1 + a[1] * c2, im: a[0] * s1 + a[1] * s2 };
    const size = low.re ** 2 + low.im ** 2;
    const q = {
      re: (top.re * low.re + top.im * low.im) / size,
      im: (top.im * low.re - top.re * low.im) / size,
    };
    [re, im] = [re * q.re - im * q.im, re * q.im + im * q.re];
  }
  return { re, im };
}

/** Gain of `zeroPhase` at `frequency` Hz: real, 0 … 1. */
export function zeroPhaseGain(filter: LowPass, frequency: number): number {
  const once = gainOf(filter.sections, frequency, filter.rate);
  return once.re ** 2 + once.im ** 2;
}

/**
 * Smooths by the value at the middle of a polynomial fitted to `length` samples around each one. At both
 * ends, where samples are missing on one side, by the polynomial of the first or last `length` samples.
 *
 * @param length - Odd.
 * @param degree - 0 … length − 2.
 * @returns As many values; all NaN when the record is shorter than `length`.
 *
 * Source: Savitzky and Golay 1964 (from memory). Check: tests/unit/kernel.test.ts.
 */
export function savitzkyGolay(x: Samples, length: number, degree: number): Float64Array {
  const n = x.length;
  if (n < length) return new Float64Array(n).fill(Number.NaN);
  const half = (length - 1) / 2;
  const y = convolve(x, middleWeights(half, degree), { from: half, count: n, ends: 'zero' });
  const places = Float64Array.from({ length }, (_, i) => i - half);
  for (const [start, from] of [
    [0, 0],
    [n - length, half + 1],
  ] as const) {
    const samples = Float64Array.from(x.subarray(start, start + length));
    const polynomial = fitPolynomial(places, samples, 0, degree) ?? [Number.NaN];
    for (let i = from; i < from + half; i++)
      y[start + i] = polynomial.reduceRight((sum, c) => sum * (i - half) + c, 0);
  }
  return y;
}

/** Weights of the samples −half … half in the middle value of the polynomial: orthogonal polynomials. */
function middleWeights(half: number, degree: number): Float64Array {
  const weights = new Float64Array(2 * half + 1);
  let before = new Float64Array(weights.length);
  let here = new Float64Array(weights.length).fill(1);
  let last = Infinity;
  for (let k = 0; k <= degree; k++) {
    const squares = here.reduce((sum, value) => sum + value * value, 0);
    const share = (here[half] as number) / squares;
    here.forEach((value, i) => (weights[i] = (weights[i] as number) + share * value));
    const [older, newer, bend] = [before, here, squares / last];
    const next = newer.map((value, i) => ((i - half) / half) * value - bend * (older[i] as number));
    [before, here, last] = [newer, next, squares];
  }
  return weights;
}
