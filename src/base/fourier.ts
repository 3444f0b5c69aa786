import FFT from 'fft.js';
import type { Samples } from './numbers.js';

/** Complex values at bins 0, 1, 2 … of a transform, or at a list of lines. */
export interface Spectrum {
  readonly re: Float64Array;
  readonly im: Float64Array;
}

/** The least power of two that is not less than `length`. */
export function powerOfTwo(length: number): number {
  return 2 ** Math.max(1, Math.ceil(Math.log2(length)));
}

/** A transform of one size with its working space, made once. */
interface Transform {
  readonly fft: FFT;
  readonly input: number[];
  readonly output: number[];
}

const transforms = new Map<number, Transform>();

function transformOf(size: number): Transform {
  const known = transforms.get(size);
  if (known !== undefined) return known;
  const fft = new FFT(size);
  const made = { fft, input: fft.createComplexArray(), output: fft.createComplexArray() };
  transforms.set(size, made);
  return made;
}

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
  const { fft, output: out } = transformOf(size);
  const padded = new Float64Array(size);
  padded.set(samples);
  fft.realTransform(out, padded);
  const bins = size / 2 + 1;
  const re = new Float64Array(bins);
  const im = new Float64Array(bins);
  for (let k = 0; k < bins; k++) {
    re[k] = out[2 * k] as number;
    im[k] = out[2 * k + 1] as number;
  }
  return { re, im };
}

/**
 * Turns bins 0 … size/2 back into real samples: the inverse of `forward`.
 *
 * @returns size values.
 */
export function inverse(spectrum: Spectrum): Float64Array {
  const size = 2 * (spectrum.re.length - 1);
  const { fft, input: data, output: out } = transformOf(size);
  for (let k = 0; k <= size / 2; k++) {
    data[2 * k] = spectrum.re[k] as number;
    data[2 * k + 1] = spectrum.im[k] as number;
  }
  fft.completeSpectrum(data);
  fft.inverseTransform(out, data);
  const samples = new Float64Array(size);
  for (let n = 0; n < size; n++) samples[n] = out[2 * n] as number;
  return samples;
}
