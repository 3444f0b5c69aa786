import { forwardReal, inverseReal, powerOfTwo, type Complex } from '../kernel/transforms.js';
import type { Samples } from './numbers.js';

export { powerOfTwo };

/** Complex values at bins 0, 1, 2 … of a transform, or at a list of lines. */
export type Spectrum = Complex;

/**
 * Transforms real samples, zero-padded to `size`.
 *
 * @param samples - n values, n ≤ size.
 * @param size - A power of two; the least one that holds the samples when left out.
 * @returns Bins 0 … size/2 of Σ x[n] · exp(−j2πkn/size), not scaled.
 *
 * Check: tests/checks/spectrum.check.ts.
 */
export function forward(samples: Samples, size: number = powerOfTwo(samples.length)): Spectrum {
  return forwardReal(samples, size);
}

/**
 * Turns bins 0 … size/2 back into real samples: the inverse of `forward`.
 *
 * @returns size values.
 */
export function inverse(spectrum: Spectrum): Float64Array {
  return inverseReal(spectrum);
}
