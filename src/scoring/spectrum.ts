import { powerOfTwo, type Spectrum } from '../base/fourier.js';
import type { Samples } from '../base/numbers.js';
import { crossSums } from '../kernel/transforms.js';

export type WindowKind = 'boxcar' | 'hann' | 'hamming' | 'blackman' | 'flattop';

/** Weights of cos(2πkn/N), k = 0, 1, 2 …, with alternating sign. */
const COSINES: Readonly<Record<WindowKind, readonly number[]>> = {
  boxcar: [1],
  hann: [0.5, 0.5],
  hamming: [0.54, 0.46],
  blackman: [0.42, 0.5, 0.08],
  flattop: [0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368],
};

/**
 * Makes a window of `length` values; periodic for spectra, symmetric for filters.
 *
 * Source: Harris, Proc. IEEE 66 (1978) 51–83; flat top: the five-term window in common use (both
 * from memory).
 * Check: tests/checks/spectrum.check.ts.
 */
export function windowOf(
  kind: WindowKind,
  length: number,
  ends: 'periodic' | 'symmetric' = 'periodic',
): Float64Array {
  const turn = (2 * Math.PI) / (ends === 'periodic' ? length : length - 1);
  return Float64Array.from({ length }, (_, n) =>
    COSINES[kind].reduce((sum, weight, k) => sum + (-1) ** k * weight * Math.cos(k * turn * n), 0),
  );
}

/** What a window does to noise and to a line. */
export interface WindowFigures {
  /** Equivalent noise bandwidth, bins. */
  readonly noiseBandwidth: number;
  /** Mean of the window. */
  readonly coherentGain: number;
  /** Loss of a line half-way between two bins, dB. */
  readonly scalloping: number;
}

/** Computes the figures of merit of a window. Source and Check: as `windowOf`. */
export function figuresOf(window: Float64Array): WindowFigures {
  const n = window.length;
  let [sum, squares, re, im] = [0, 0, 0, 0];
  for (let i = 0; i < n; i++) {
    const w = window[i] as number;
    sum += w;
    squares += w * w;
    re += w * Math.cos((Math.PI * i) / n);
    im += w * Math.sin((Math.PI * i) / n);
  }
  return {
    noiseBandwidth: (n * squares) / (sum * sum),
    coherentGain: sum / n,
    scalloping: -20 * Math.log10(Math.hypot(re, im) / sum),
  };
}

export interface WelchOptions {
  /** Samples a second. */
  readonly rate: number;
  /** Samples in one segment; zero-padded to a power of two. */
  readonly segment: number;
  /** Samples that neighbouring segments share. */
  readonly overlap: number;
}

/** One-sided densities averaged over segments. */
export interface Densities {
  /** Hz */
  readonly frequency: Float64Array;
  /** Unit of x squared a hertz, and so on; xy = conj(X) · Y, so a late y has a negative angle. */
  readonly xx: Float64Array;
  readonly yy: Float64Array;
  readonly xy: Spectrum;
  readonly segments: number;
}

/**
 * Estimates power and cross densities after Welch: Hann segments, each less its mean.
 *
 * @param x - n samples, n ≥ segment.
 * @param y - n samples; the same array as x when only the power is wanted.
 * @returns Zeros and no segments when the record is shorter than one. A sample that is not finite
 *   makes every bin so.
 *
 * Source: Welch 1967 (from memory); scaling as for a density in unit²/Hz.
 * Check: tests/checks/spectrum.check.ts.
 */
export function welch(x: Samples, y: Samples, options: WelchOptions): Densities {
  const { rate, segment, overlap } = options;
  const weights = windowOf('hann', segment);
  const size = powerOfTwo(segment);
  const bins = size / 2 + 1;
  const step = segment - overlap;
  const segments = Math.max(0, Math.floor((x.length - segment) / step) + 1);
  const length = [segment, segment] as const;
  const plan = { size, segments, step, length, lag: 0, ends: 'zero', weights } as const;
  const { xx, yy, xy } = crossSums(x, y, plan);
  const power = weights.reduce((sum, w) => sum + w * w, 0);
  for (let k = 0; k < bins; k++) {
    const sides = k === 0 || k === bins - 1 ? 1 : 2;
    const scale = sides / (rate * power * Math.max(1, segments));
    for (const density of [xx, yy, xy.re, xy.im]) density[k] = (density[k] as number) * scale;
  }
  const frequency = Float64Array.from({ length: bins }, (_, k) => (k * rate) / size);
  return { frequency, xx, yy, xy, segments };
}

/** Coherence γ² of averaged densities, 0 … 1. One segment alone always gives 1 and proves nothing. */
export function coherenceOf(densities: Pick<Densities, 'xx' | 'yy' | 'xy'>): Float64Array {
  const { xx, yy, xy } = densities;
  return xx.map((power, k) => {
    const both = power * (yy[k] as number);
    return both > 0 ? ((xy.re[k] as number) ** 2 + (xy.im[k] as number) ** 2) / both : 0;
  });
}

/** Frequency response H1 = Sxy/Sxx: noise on the output does not bias it. NaN where x has no power. */
export function responseOf(densities: Pick<Densities, 'xx' | 'xy'>): Spectrum {
  const { xx, xy } = densities;
  return {
    re: xy.re.map((value, k) => value / (xx[k] as number)),
    im: xy.im.map((value, k) => value / (xx[k] as number)),
  };
}

/**
 * Reads the complex amplitude of one line under a window: c with x ≈ Re(c · exp(j2πft)).
 *
 * @param window - Weights, as many as samples are used; their mean is divided out.
 * @param cycles - Cycles a sample; any value below ½.
 * @returns NaN when the window is longer than the record or a sample is not finite.
 */
export function lineOf(
  x: Samples,
  window: Float64Array,
  cycles: number,
): { readonly re: number; readonly im: number } {
  let [re, im, sum] = [0, 0, 0];
  for (let n = 0; n < window.length; n++) {
    const w = window[n] as number;
    const value = w * (x[n] as number);
    re += value * Math.cos(2 * Math.PI * cycles * n);
    im -= value * Math.sin(2 * Math.PI * cycles * n);
    sum += w;
  }
  return { re: (2 * re) / sum, im: (2 * im) / sum };
}

/** Where a record repeats, in samples. */
export interface Repeats {
  readonly start: number;
  readonly period: number;
  readonly periods: number;
}

const OVERSAMPLING = 20; // samples a cycle kept of the highest line: what folds back is then < 0.01 %
const LONGEST_BLOCK = 5; // samples: longer blocks fold the lines of a staircase onto its sine

/**
 * Computes the complex amplitudes of chosen lines, separately for each period of a record.
 *
 * Samples are averaged and thinned first, as far as the highest line allows, and the effect of the
 * averaging is divided out again: up to five times faster, same result.
 *
 * @param x - Samples, at least start + period · periods of them.
 * @param bins - Whole cycles in one period.
 * @returns One spectrum for each period, entries as in `bins`: c with x ≈ Re(c · exp(j2πkn/period)).
 *
 * Check: tests/unit/spectrum.test.ts against `forward`.
 */
export function linesByPeriod(
  x: Samples,
  repeats: Repeats,
  bins: readonly number[],
): readonly Spectrum[] {
  const { start, period, periods } = repeats;
  const block = blockLength(period, Math.max(...bins));
  const n = period / block;
  const turn = (2 * Math.PI) / n;
  const cos = Float64Array.from({ length: n }, (_, i) => Math.cos(turn * i));
  const sin = Float64Array.from({ length: n }, (_, i) => Math.sin(turn * i));
  const scales = bins.map((bin) => 2 / (n * thinningGain(bin / period, block)));
  return Array.from({ length: periods }, (_, p) => {
    const { even, odd } = halves(thinned(x, start + p * period, period, block));
    const re = new Float64Array(bins.length);
    const im = new Float64Array(bins.length);
    for (let k = 0; k < bins.length; k++) {
      const bin = bins[k] as number;
      let [sumRe, sumIm, at] = [0, 0, 0];
      for (let i = 0; i < even.length; i++) {
        sumRe += (even[i] as number) * (cos[at] as number);
        sumIm -= (odd[i] as number) * (sin[at] as number);
        at += bin;
        if (at >= n) at -= n;
      }
      re[k] = sumRe * (scales[k] as number);
      im[k] = sumIm * (scales[k] as number);
    }
    return { re, im };
  });
}

/** Sums and differences of samples alike far from both ends: cosines need the first, sines the second. */
function halves(x: Float64Array): { readonly even: Float64Array; readonly odd: Float64Array } {
  const n = x.length;
  const length = Math.floor(n / 2) + 1;
  const even = new Float64Array(length);
  const odd = new Float64Array(length);
  even[0] = x[0] as number;
  for (let i = 1; i < length; i++) {
    const [near, far] = [x[i] as number, x[n - i] as number];
    even[i] = i === n - i ? near : near + far;
    odd[i] = near - far;
  }
  return { even, odd };
}

/** The longest block that divides the period and keeps the highest line well sampled. */
function blockLength(period: number, highest: number): number {
  let block = Math.max(1, Math.min(LONGEST_BLOCK, Math.floor(period / (OVERSAMPLING * highest))));
  while (period % block !== 0) block -= 1;
  return block;
}

/**
 * Keeps every `block`-th sample of a period, each as a triangular average over its neighbours. A plain
 * average would let the lines of a held command fold back: 0.3 % at 125 Hz.
 */
function thinned(x: Samples, from: number, period: number, block: number): Float64Array {
  const kept = new Float64Array(period / block);
  for (let i = 0; i < kept.length; i++) {
    let sum = block * (x[from + i * block] as number);
    for (let j = 1; j < block; j++) {
      const before = (i * block - j + period) % period;
      const after = (i * block + j) % period;
      sum += (block - j) * ((x[from + before] as number) + (x[from + after] as number));
    }
    kept[i] = sum / (block * block);
  }
  return kept;
}

/** Gain of `thinned` for a line of so many cycles a sample. */
function thinningGain(cycles: number, block: number): number {
  const half = Math.PI * cycles;
  return block === 1 ? 1 : (Math.sin(half * block) / (block * Math.sin(half))) ** 2;
}

/**
 * Averages samples in blocks.
 *
 * @returns `count` means; the first covers samples from … from + block − 1.
 */
export function blockMeans(x: Samples, from: number, count: number, block: number): Float64Array {
  const means = new Float64Array(count);
  let at = from;
  for (let i = 0; i < count; i++) {
    let sum = 0;
    for (let j = 0; j < block; j++) sum += x[at++] as number;
    means[i] = sum / block;
  }
  return means;
}

/**
 * Mean square in a band of frequencies, bins from `from` to `to` Hz included, unit of x squared. NaN
 * when there are fewer than two bins or one is not finite.
 */
export function bandPower(
  frequency: Float64Array,
  density: Float64Array,
  from: number,
  to: number,
): number {
  const spacing = (frequency[1] as number) - (frequency[0] as number);
  let sum = 0;
  for (let k = 0; k < frequency.length; k++) {
    const f = frequency[k] as number;
    if (f >= from && f <= to) sum += (density[k] as number) * spacing;
  }
  return Number.isFinite(sum) ? sum : Number.NaN;
}
