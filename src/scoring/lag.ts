import type { Take } from '../capture/capture.js';
import { multisineOf } from '../pattern/multisine.js';
import type { Pattern, Stage } from '../procedure/procedure.js';
import { correlate, delayFromAngles, parabolicPeak, unwrap, type Delay } from './delay.js';
import { butterworth, zeroPhase } from './filter.js';
import { channelsOf, notEvaluated, shown, type NotEvaluated } from './reading.js';
import { averageResponse, bandwidthOf, type Response } from './response.js';
import { parts } from '../pattern/waveform.js';
import { blockMeans, linesByPeriod, type Repeats } from './spectrum.js';

/** Where a stage repeats itself, and at which lines its command has most of its power. */
export interface PeriodicPart extends Repeats {
  /** Whole cycles a period that the underlying shape contains; rising. */
  readonly bins: readonly number[];
  /** Frequency of the only line when the shape is a sine, Hz. */
  readonly sine?: number;
  /** Rate at which the source holds its values, Hz, when the pattern is a staircase. */
  readonly held?: number;
}

const SETTLING = 0.15; // s left out at the start, where the shape has not repeated yet

/** Finds the last part of a stage that repeats a sine or a multisine often enough to be averaged. */
export function periodicPart(take: Take, stage: Stage): PeriodicPart | NotEvaluated {
  for (const part of parts(stage.pattern).toReversed()) {
    const base = part.pattern.kind === 'staircase' ? part.pattern.of : part.pattern;
    const held = part.pattern.kind === 'staircase' ? { held: part.pattern.rate } : {};
    if (base.kind !== 'sine' && base.kind !== 'multisine') continue;
    const cycle = commonPeriod(base, 'held' in held ? [held.held] : [], take.rate);
    if (cycle === undefined) {
      return notEvaluated(
        'Shape, source and samples have no common period: choose a source rate that is a multiple of the frequency.',
      );
    }
    const length = take.channels.command?.length ?? 0;
    const from = Math.round(part.from * take.rate);
    const end = Math.min(length, Math.round(part.to * take.rate));
    const periods = Math.floor((end - from - SETTLING * take.rate) / cycle);
    if (periods < 2) {
      const seconds = shown(cycle / take.rate);
      return notEvaluated(
        `The shape repeats every ${seconds} s; 2 repeats after ${SETTLING} s of settling are needed.`,
      );
    }
    const repeats = { start: end - periods * cycle, period: cycle, periods, ...held };
    const cycles = cycle / take.rate;
    return base.kind === 'sine'
      ? { ...repeats, bins: [Math.round(base.frequency * cycles)], sine: base.frequency }
      : {
          ...repeats,
          bins: multisineOf(base).lines.map((line) => Math.round(line.frequency * cycles)),
        };
  }
  return notEvaluated('The stage plays no sine, multisine or staircase of one.');
}

const LONGEST = 1000; // cycles of a sine searched for a common period

/** The shortest whole number of samples that holds whole cycles of the shape and of its source. */
function commonPeriod(
  base: Extract<Pattern, { kind: 'sine' | 'multisine' }>,
  rates: readonly number[],
  rate: number,
): number | undefined {
  const once = base.kind === 'sine' ? 1 / base.frequency : base.period;
  const isWhole = (value: number): boolean => Math.abs(value - Math.round(value)) < 1e-6;
  for (let n = 1; n <= LONGEST; n++) {
    const seconds = n * once;
    if (isWhole(seconds * rate) && rates.every((r) => isWhole(seconds * r))) {
      return Math.round(seconds * rate);
    }
  }
  return undefined;
}

/** Largest difference that the two ways of reading a lag may have, s. */
export const AGREEMENT = 2e-4;
const LIKENESS = 0.98;

/**
 * Reads the lag of the motor current behind the command as latched.
 *
 * The value is the slope of the angle over the lines up to a tenth of the bandwidth. It stands only
 * when the shift of highest correlation in that band agrees within 0.2 ms.
 *
 * @returns The lag in s with the delay of the current channel still in it.
 */
export function readLag(take: Take, part: PeriodicPart): Delay | NotEvaluated {
  const channels = channelsOf(take, ['command', 'current']);
  if ('kind' in channels) return channels;
  const frequency = Float64Array.from(part.bins, (bin) => (bin * take.rate) / part.period);
  const response = averageResponse(
    frequency,
    linesByPeriod(channels.command, part, part.bins),
    linesByPeriod(channels.current, part, part.bins),
  );
  const low = lowLines(response);
  const byAngle = delayFromAngles(low);
  const top = low.frequency.at(-1) ?? 0;
  const byShift = shiftOf(take, part, part.sine === undefined ? top : 5 * top);
  if (byShift.likeness < LIKENESS) {
    const found = `only ${shown(byShift.likeness)} of ${LIKENESS}`;
    return notEvaluated(`Current and command are too unlike to read a lag: correlation ${found}.`);
  }
  if (Math.abs(byShift.delay - byAngle.delay) >= AGREEMENT) {
    const found = `${shown(byAngle.delay * 1000)} ms by phase, ${shown(byShift.delay * 1000)} ms by correlation`;
    return notEvaluated(`Two ways of reading the lag disagree: ${found}.`);
  }
  return byAngle;
}

const FEWEST = 3;

/** The lines up to a tenth of the bandwidth, three at least: there the angle is a straight line. */
function lowLines(response: Response): {
  readonly frequency: Float64Array;
  readonly angle: Float64Array;
  readonly coherence: Float64Array;
  readonly averages: number;
} {
  const { frequency, ratio, coherence, averages } = response;
  const angle = unwrap(ratio.re.map((re, k) => Math.atan2(ratio.im[k] as number, re)));
  const bandwidth = frequency.length >= 5 ? bandwidthOf(response) : undefined;
  const limit = (bandwidth ?? frequency.at(-1) ?? 0) / 10;
  const count = Math.max(FEWEST, frequency.filter((f) => f <= limit).length);
  return {
    frequency: frequency.subarray(0, count),
    angle: angle.subarray(0, count),
    coherence: coherence.subarray(0, count),
    averages,
  };
}

const COARSE = 1000; // samples a second of the correlation
const RANGE = { from: -5, to: 100 }; // of these samples

/** Shift of highest correlation of mean periods, both low-passed alike without delay. */
function shiftOf(
  take: Take,
  part: PeriodicPart,
  cutoff: number,
): { readonly delay: number; readonly likeness: number } {
  let block = Math.max(1, Math.round(take.rate / COARSE));
  while (part.period % block !== 0) block -= 1;
  const rate = take.rate / block;
  const filter = butterworth(4, Math.min(cutoff, rate / 4), rate);
  const smooth = (x: Float32Array | undefined): Float64Array => {
    const n = part.period / block;
    const all = blockMeans(x ?? new Float32Array(0), part.start, n * part.periods, block);
    const mean = new Float64Array(n);
    all.forEach((value, i) => (mean[i % n] = (mean[i % n] as number) + value / part.periods));
    const thrice = new Float64Array(3 * n);
    for (const at of [0, n, 2 * n]) thrice.set(mean, at);
    return zeroPhase(filter, thrice).subarray(n, 2 * n);
  };
  const [x, y] = [smooth(take.channels.command), smooth(take.channels.current)];
  const steps = Math.round(rate / COARSE);
  const range = { from: RANGE.from * steps, to: RANGE.to * steps };
  const r = correlate(x, y, range, 'periodic');
  let peak = 1;
  for (let i = 2; i + 1 < r.length; i++) {
    if ((r[i] as number) > (r[peak] as number)) peak = i;
  }
  const { offset, value } = parabolicPeak(
    r[peak - 1] as number,
    r[peak] as number,
    r[peak + 1] as number,
  );
  const power = Math.sqrt(squares(x) * squares(y));
  return {
    delay: (range.from + peak + offset) / rate,
    likeness: power > 0 ? value / power : 0,
  };
}

function squares(x: Float64Array): number {
  return x.reduce((sum, value) => sum + value * value, 0);
}
