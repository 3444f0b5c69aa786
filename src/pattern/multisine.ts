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
  const table = cosines(16 * (bins.at(-1) ?? 1));
  const random = seeded(pattern.seed);
  const unit = bins.map(() => 1);
  let best: readonly number[] = [];
  let lowest = Infinity;
  for (let draw = 0; draw < Math.max(1, pattern.draws); draw++) {
    const angles = bins.map(() => 2 * Math.PI * random());
    const peak = largest(table, bins, unit, angles);
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
    slew: largest(table, bins, slopes, quarterAhead),
  };
}

/** One cycle of a cosine in a power of two of at least `points` points. */
function cosines(points: number): Float64Array {
  const size = 2 ** Math.max(6, Math.ceil(Math.log2(points)));
  return Float64Array.from({ length: size }, (_, i) => Math.cos((2 * Math.PI * i) / size));
}

/** Largest magnitude of a sum of cosines over one period. */
function largest(
  table: Float64Array,
  bins: readonly number[],
  amplitudes: readonly number[],
  angles: readonly number[],
): number {
  const size = table.length;
  const sum = new Float64Array(size);
  for (let k = 0; k < bins.length; k++) {
    const bin = bins[k] as number;
    const a = (amplitudes[k] as number) * Math.cos(angles[k] as number);
    const b = (amplitudes[k] as number) * Math.sin(angles[k] as number);
    let at = 0;
    for (let i = 0; i < size; i++) {
      const sine = (at + 3 * (size / 4)) & (size - 1);
      sum[i] = (sum[i] as number) + a * (table[at] as number) - b * (table[sine] as number);
      at = (at + bin) & (size - 1);
    }
  }
  return sum.reduce((peak, value) => Math.max(peak, Math.abs(value)), 0);
}
