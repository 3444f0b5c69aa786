/** Samples of one kind: how many, and where the first is (−1 for none). */
export interface Tally {
  readonly samples: number;
  readonly first: number;
}

/** What in a channel cannot be what was measured. */
export interface Suspects {
  /** At the end of the converter, or flat at the top or bottom of the signal. */
  readonly clipped: Tally;
  /** Standing still, or at zero for a moment between two far values. */
  readonly dropped: Tally;
  /** One and the same value throughout. */
  readonly constant: boolean;
}

/**
 * Equal samples in a row at the very extreme that make it flat. With noise there are two, seldom three;
 * five were seen once in 18,000 takes.
 */
const FLAT = 8;
/** Share of the range that a flat top must reach and a jump must span. */
const NOTABLE = 0.05;
/** Share of the range at which a converter is at its end. */
const END = 0.999;

interface Signal {
  readonly samples: Float32Array;
  readonly range: number | undefined;
  readonly still: number;
  readonly least: number;
  readonly most: number;
}

/**
 * Looks through a channel for flat tops, standstill, and jumps to zero and back.
 *
 * @param samples - A channel with noise of at least one digit of its converter; NaN is passed over.
 * @param range - ± range in the unit of the channel; undefined when it is not known. Without it
 * there is no looking for flat tops.
 * @param still - How many equal samples in a row are a standstill.
 *
 * Check: tests/unit/screen.test.ts.
 */
export function findSuspects(
  samples: Float32Array,
  range: number | undefined,
  still: number,
): Suspects {
  let [least, most] = [Infinity, -Infinity];
  for (const value of samples) {
    if (value < least) least = value;
    if (value > most) most = value;
  }
  const constant = samples.length > 1 && least === most;
  const signal = { samples, range, still, least, most };
  const [clipped, dropped] = [new Count(), new Count()];
  for (let from = 0; from < samples.length;) {
    const to = endOfRun(samples, from);
    if (isClipped(signal, from, to)) clipped.add(from, to);
    else if (!constant && isDropped(signal, from, to)) dropped.add(from, to);
    from = to;
  }
  return { clipped, dropped, constant };
}

class Count implements Tally {
  samples = 0;
  first = -1;
  add(from: number, to: number): void {
    if (this.samples === 0) this.first = from;
    this.samples += to - from;
  }
}

function endOfRun(samples: Float32Array, from: number): number {
  const value = samples[from];
  let to = from + 1;
  while (to < samples.length && samples[to] === value) to += 1;
  return to;
}

function isClipped(signal: Signal, from: number, to: number): boolean {
  if (signal.range === undefined) return false;
  const value = signal.samples[from] as number;
  const size = Math.abs(value);
  if (size >= END * signal.range) return true;
  const extreme = value === signal.most || value === signal.least;
  const constant = signal.most === signal.least; // dead, not clipped
  return to - from >= FLAT && extreme && !constant && size >= NOTABLE * signal.range;
}

function isDropped(signal: Signal, from: number, to: number): boolean {
  const { samples, still } = signal;
  if (to - from >= still) return true;
  if (samples[from] !== 0 || from === 0 || to === samples.length) return false;
  const [before, after] = [samples[from - 1] as number, samples[to] as number];
  const far = NOTABLE * (signal.range ?? Math.max(Math.abs(signal.least), Math.abs(signal.most)));
  return before * after > 0 && Math.min(Math.abs(before), Math.abs(after)) >= far;
}
