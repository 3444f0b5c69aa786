import { forward, inverse, powerOfTwo } from '../base/fourier.js';
import type { Samples } from '../base/numbers.js';

const MOST = 2 ** 24; // samples: a transform of that size takes 1 GB

/**
 * Computes the envelope of an oscillation: the magnitude of its analytic signal.
 *
 * The record is continued by zeros to a power of two, so the first and last cycle of an oscillation
 * that does not begin and end at rest read wrong. A mean counts as part of the oscillation: take it
 * out first.
 *
 * @param x - Any unit, uniform, 2 … 2²⁴ samples.
 * @returns As many values ≥ 0, same unit; undefined for too few or too many samples or one that is not
 *   finite.
 *
 * Source: Gabor 1946, analytic signal by the Hilbert transform (from memory).
 * Check: tests/checks/scipy.check.ts.
 */
export function envelope(x: Samples): Float64Array | undefined {
  const n = x.length;
  if (n < 2 || n > MOST || !x.every(Number.isFinite)) return undefined;
  const { re, im } = forward(x, powerOfTwo(n));
  // A quarter turn back for every frequency between none and the highest: the Hilbert transform.
  const last = re.length - 1;
  const turned = inverse({
    re: im.map((value, k) => (k === 0 || k === last ? 0 : value)),
    im: re.map((value, k) => (k === 0 || k === last ? 0 : -value)),
  });
  const size = new Float64Array(n);
  for (let i = 0; i < n; i++) size[i] = Math.hypot(x[i] as number, turned[i] as number);
  return size;
}
