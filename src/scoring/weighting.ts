import { unreachable } from '../base/error.js';
import type { Samples } from '../base/numbers.js';
import { welch } from './spectrum.js';

/** Frequency weighting of sound: A and C as the ear hears soft and loud sound, Z as it is. */
export type Weighting = 'A' | 'C' | 'Z';

/** Sound pressure that counts as 0 dB, Pa. */
export const REFERENCE_PRESSURE = 20e-6;

/** Squares of the four corner frequencies of the A-weighting, Hz². */
const CORNERS = corners();

function corners(): readonly [number, number, number, number] {
  const [reference, low, high, middle] = [1000, 10 ** 1.5, 10 ** 3.9, 10 ** 2.45];
  const share = Math.SQRT1_2;
  const c = low ** 2 * high ** 2;
  const b = (reference ** 2 + c / reference ** 2 - share * (low ** 2 + high ** 2)) / (1 - share);
  const root = Math.sqrt(b * b - 4 * c);
  const golden = Math.sqrt(5);
  return [
    (-b - root) / 2,
    (((3 - golden) / 2) * middle) ** 2,
    (((3 + golden) / 2) * middle) ** 2,
    (-b + root) / 2,
  ];
}

/** Power gain of a weighting before it is set to 1 at 1 kHz. */
function rawPower(weighting: Weighting, frequency: number): number {
  const [f1, f2, f3, f4] = CORNERS;
  const f = frequency * frequency;
  const c = (f4 * f) / ((f + f1) * (f + f4));
  switch (weighting) {
    case 'A':
      return (c * c * f * f) / ((f + f2) * (f + f3));
    case 'C':
      return c * c;
    case 'Z':
      return 1;
    default:
      return unreachable(weighting);
  }
}

/**
 * Returns by what factor a weighting multiplies the power at a frequency: 1 at 1 kHz, 0 at 0 Hz.
 *
 * @param frequency - Hz, ≥ 0.
 *
 * Source: IEC 61672-1:2013, Annex E, exact corner frequencies (from memory).
 * Check: tests/checks/sound.check.ts.
 */
export function weightingPower(weighting: Weighting, frequency: number): number {
  return rawPower(weighting, frequency) / rawPower(weighting, 1000);
}

/** Returns a weighting in dB; −∞ for A and C at 0 Hz. Source and Check: as `weightingPower`. */
export function weightingLevel(weighting: Weighting, frequency: number): number {
  return 10 * Math.log10(weightingPower(weighting, frequency));
}

/**
 * Adds levels of independent sounds by their energies.
 *
 * @param levels - dB.
 * @returns dB; undefined when there are none or one is not a number.
 *
 * Source: definition. Check: tests/checks/sound.check.ts.
 */
export function sumOfLevels(levels: readonly number[]): number | undefined {
  return levelOf(levels.reduce((sum, level) => sum + 10 ** (level / 10), 0));
}

/**
 * Takes the background out of a level.
 *
 * @param both - Level with the source running, dB. @param background - Level with it silent, dB.
 * @returns dB; undefined when the background is as loud. Whether the two lie far enough apart to
 *   trust the difference, usually 6 dB, is the caller's to judge.
 *
 * Source: ISO 3744, background correction K1 (from memory). Check: tests/checks/sound.check.ts.
 */
export function withoutBackground(both: number, background: number): number | undefined {
  return levelOf(10 ** (both / 10) - 10 ** (background / 10));
}

function levelOf(power: number): number | undefined {
  return power > 0 && Number.isFinite(power) ? 10 * Math.log10(power) : undefined;
}

/** Mean square of sound pressure by frequency; the sum of `power` is that of the record. */
export interface SoundSpectrum {
  /** Hz */
  readonly frequency: Float64Array;
  /** Pa² in each bin. */
  readonly power: Float64Array;
}

const LONGEST = 65_536; // samples of a segment: 0.7 Hz apart at 48 kHz

/**
 * Splits the mean square of a sound record over frequency.
 *
 * Hann segments three quarters over each other: all samples but those at the ends then weigh alike,
 * and the power of the bins adds up to the mean square (Parseval). What no segment covers at the end, less
 * than a quarter of one, is left out; so is the mean of each segment.
 *
 * @param pressure - Pa, n ≥ 64 samples.
 * @param rate - Samples a second.
 * @returns undefined when the record is too short or holds a value that is not finite.
 *
 * Source: Welch 1967 (from memory). Check: tests/checks/sound.check.ts.
 */
export function soundSpectrum(pressure: Samples, rate: number): SoundSpectrum | undefined {
  if (pressure.length < 64 || !(rate > 0) || !Number.isFinite(rate)) return undefined;
  const segment = Math.min(LONGEST, 2 ** Math.floor(Math.log2(pressure.length)));
  const { frequency, xx } = welch(pressure, pressure, {
    rate,
    segment,
    overlap: (3 * segment) / 4,
  });
  const power = xx.map((density) => (density * rate) / segment);
  return power.every(Number.isFinite) ? { frequency, power } : undefined;
}

/**
 * Reads the weighted level of a sound record.
 *
 * @param pressure - Pa, n ≥ 64 samples. @param rate - Samples a second.
 * @returns dB re 20 µPa; undefined for silence and where `soundSpectrum` gives none.
 *
 * Source: IEC 61672-1:2013, equivalent continuous level (from memory). Check: tests/checks/sound.check.ts.
 */
export function soundLevel(
  pressure: Samples,
  rate: number,
  weighting: Weighting,
): number | undefined {
  const spectrum = soundSpectrum(pressure, rate);
  return spectrum && weightedLevel(spectrum, weighting);
}

/** Weighted level of a spectrum between two frequencies, low included, dB re 20 µPa; undefined for silence. */
export function weightedLevel(
  spectrum: SoundSpectrum,
  weighting: Weighting,
  band: { readonly low: number; readonly high: number } = { low: 0, high: Infinity },
): number | undefined {
  let sum = 0;
  spectrum.frequency.forEach((f, k) => {
    if (f >= band.low && f < band.high) {
      sum += weightingPower(weighting, f) * (spectrum.power[k] as number);
    }
  });
  return levelOf(sum / REFERENCE_PRESSURE ** 2);
}

/** One third of an octave. */
export interface BandLevel {
  /** Exact centre, Hz. */
  readonly centre: number;
  /** dB re 20 µPa; undefined for silence. */
  readonly level: number | undefined;
}

/**
 * Sums a spectrum in thirds of an octave with straight edges (not the slopes of a filter of class 1).
 *
 * @param range - Centres from `low` to `high` Hz. Bands narrower than two bins or beyond half the
 *   sample rate are left out.
 *
 * Source: IEC 61260-1, base-ten centres 1000·10^(n/10) and edges 10^(±1/20) (from memory).
 * Check: tests/checks/sound.check.ts.
 */
export function thirdOctaves(
  spectrum: SoundSpectrum,
  weighting: Weighting,
  range: { readonly low: number; readonly high: number },
): readonly BandLevel[] {
  const { frequency } = spectrum;
  const [spacing, top] = [frequency[1] ?? 0, frequency[frequency.length - 1] ?? 0];
  const half = 10 ** 0.05;
  const bands: BandLevel[] = [];
  const [first, last] = [range.low, range.high].map((f) => Math.round(10 * Math.log10(f / 1000)));
  for (let n = first ?? 0; n <= (last ?? -1); n++) {
    const centre = 1000 * 10 ** (n / 10);
    const band = { low: centre / half, high: centre * half };
    if (band.high > top || band.high - band.low < 2 * spacing) continue;
    bands.push({ centre, level: weightedLevel(spectrum, weighting, band) });
  }
  return bands;
}
