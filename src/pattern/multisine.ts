import { inverse, powerOfTwo } from '../base/fourier.js';
import type { MultisinePattern } from '../procedure/procedure.js';
import { seeded } from './random.js';

/** One sine of a multisine: amplitude · cos(2π · frequency · t + angle). */
export interface Line {
  /** Cycles in one period of the pattern. */
  readonly bin: number;
  /** Hz */
  readonly frequency: number;
  /** N·m */
  readonly amplitude: number;
  /** rad, 0 … 2π */
  readonly angle: number;
}

export interface Multisine {
  readonly lines: readonly Line[];
  /** Peak divided by rms of one period, taken at 16 points or more per cycle of the highest line. */
  readonly crest: number;
  /** Largest slope, N·m/s, taken at the same points. */
  readonly slew: number;
}

/** The search for a low crest factor costs tens of milliseconds and every reader of a pattern needs its result. */
const chosen = new WeakMap<MultisinePattern, Multisine>();

/**
 * Chooses the lines and angles of a multisine: equal amplitudes, angles drawn from the seed, and of
 * all draws the one with the lowest crest factor.
 *
 * @returns The same value for the same pattern, always. Fewer lines than asked for when the range
 * has no more free multiples of 1/period; none when it has none.
 *
 * Source: equal-amplitude random-angle multisine with the best of several draws: common practice,
 * no source.
 * Check: tests/checks/pattern.check.ts.
 */
export function multisineOf(pattern: MultisinePattern): Multisine {
  const known = chosen.get(pattern);
  if (known !== undefined) return known;
  const result = search(pattern);
  chosen.set(pattern, result);
  return result;
}

/**
 * Lists the multiples of 1/period that carry a line, lowest first.
 *
 * Where logarithmic spacing is finer than one multiple, every free multiple is taken; the lines
 * saved there are spread over the rest, so that the number asked for is met exactly.
 */
export function chooseBins(pattern: MultisinePattern): readonly number[] {
  const free = freeBins(pattern);
  const last = free.length - 1;
  const bins: number[] = [];
  let index = 0;
  for (let left = Math.min(pattern.lines, free.length); left > 0; left--) {
    const bin = free[index] as number;
    bins.push(bin);
    if (left === 1) break;
    const ideal = bin * ((free[last] as number) / bin) ** (1 / (left - 1));
    const furthest = last - (left - 2);
    index += 1;
    while (index < furthest && nearer(free[index + 1], free[index], ideal)) index += 1;
  }
  return bins;
}

function nearer(next: number | undefined, current: number | undefined, ideal: number): boolean {
  if (next === undefined || current === undefined) return false;
  return Math.abs(next - ideal) < Math.abs(current - ideal);
}

const HAIR = 1e-6; // of a multiple of 1/period: what binary fractions of a second may be off

function freeBins(pattern: MultisinePattern): readonly number[] {
  const first = Math.max(1, Math.ceil(pattern.from * pattern.period - HAIR));
  const last = Math.floor(pattern.to * pattern.period + HAIR);
  const bins: number[] = [];
  for (let bin = first; bin <= last; bin++) if (!isAvoided(bin, pattern)) bins.push(bin);
  return bins;
}

/** A frequency between two multiples leaks into both neighbours, so both are left empty. */
function isAvoided(bin: number, pattern: MultisinePattern): boolean {
  return pattern.avoid.some((frequency) => {
    const spacing = frequency * pattern.period;
    if (spacing < HAIR) return false;
    const harmonic = Math.max(1, Math.round(bin / spacing));
    return Math.abs(bin - harmonic * spacing) < 1 - HAIR;
  });
}

function search(pattern: MultisinePattern): Multisine {
  const bins = chooseBins(pattern);
  if (bins.length === 0) return { lines: [], crest: 0, slew: 0 };
  const size = powerOfTwo(16 * (bins.at(-1) ?? 1));
  const random = seeded(pattern.seed);
  const unit = bins.map(() => 1);
  let best: readonly number[] = [];
  let lowest = Infinity;
  for (let draw = 0; draw < Math.max(1, pattern.draws); draw++) {
    const angles = bins.map(() => 2 * Math.PI * random());
    const peak = largest(size, bins, unit, angles);
    if (peak < lowest) {
      lowest = peak;
      best = angles;
    }
  }
  const amplitude = pattern.rms * Math.sqrt(2 / bins.length);
  const lines = bins.map((bin, i) => ({
    bin,
    frequency: bin / pattern.period,
    amplitude,
    angle: best[i] as number,
  }));
  const slopes = lines.map((line) => 2 * Math.PI * line.frequency * line.amplitude);
  const quarterAhead = best.map((angle) => angle + Math.PI / 2);
  return {
    lines,
    crest: lowest / Math.sqrt(bins.length / 2),
    slew: largest(size, bins, slopes, quarterAhead),
  };
}

/** Largest magnitude of a sum of cosines over one period, taken at `size` points. */
function largest(
  size: number,
  bins: readonly number[],
  amplitudes: readonly number[],
  angles: readonly number[],
): number {
  const spectrum = { re: new Float64Array(size / 2 + 1), im: new Float64Array(size / 2 + 1) };
  for (const [k, bin] of bins.entries()) {
    const half = (amplitudes[k] as number) * (size / 2);
    spectrum.re[bin] = half * Math.cos(angles[k] as number);
    spectrum.im[bin] = half * Math.sin(angles[k] as number);
  }
  return inverse(spectrum).reduce((peak, value) => Math.max(peak, Math.abs(value)), 0);
}
