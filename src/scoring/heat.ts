import type { Capture, Screened } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { STATIC } from './dependence.js';
import { fitLine, mean } from './line.js';
import {
  type NotEvaluated,
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  samplesOf,
  shown,
} from './reading.js';
import type { Characteristic, Context } from './scoring.js';

/** The last hold of a stage that is not at zero, torque in the direction of its command. */
interface Hold {
  readonly rate: number;
  /** Sample range of the hold, the delay of the torque channel taken out. */
  readonly first: number;
  readonly end: number;
  readonly torque: Float32Array;
  /** Magnitude of the command, N·m. */
  readonly level: number;
  /** Turns a mean of samples into torque along the command, N·m. */
  readonly along: (value: number) => number;
}

function holdOf(
  capture: Screened<Capture>,
  stage: Stage,
  context: Context,
  shortest: number,
): Hold | NotEvaluated {
  const part = lastPart(stage.pattern, 'hold', (hold) => hold.level !== 0);
  if (part === undefined) return notEvaluated('The stage holds no torque.');
  const take = capture.takes[0];
  const channels = channelsOf(take, ['torque']);
  if ('reason' in channels) return channels;
  const delay = context.stand.torqueDelay;
  const { first, end } = samplesOf(take, part.from + delay, part.to);
  if (end - first < (shortest - delay) * take.rate - 1) {
    const held = shown((end - first) / take.rate);
    return notEvaluated(`The hold lasts ${held} s; at least ${shortest} s are needed.`);
  }
  const sense = Math.sign(part.pattern.level);
  const along = (value: number): number => sense * (value - context.zero);
  const level = Math.abs(part.pattern.level);
  return { rate: take.rate, first, end, torque: channels.torque, level, along };
}

/**
 * Finds the least mean over `window` neighbouring samples of `x[from … to)`.
 *
 * @returns The unit of x; NaN when the range is shorter than the window.
 */
export function leastMovingMean(
  x: ArrayLike<number>,
  window: number,
  from = 0,
  to = x.length,
): number {
  const end = Math.min(to, x.length);
  if (window < 1 || end - from < window) return Number.NaN;
  let sum = 0;
  for (let i = from; i < from + window; i++) sum += x[i] as number;
  let least = sum;
  for (let i = from + window; i < end; i++) {
    sum += (x[i] as number) - (x[i - window] as number);
    least = Math.min(least, sum);
  }
  return least / window;
}

const hold = {
  from: ['hold'],
  power: 'on',
  takes: 1,
  gates: STATIC,
  options: {},
  check: 'tests/unit/heat.test.ts',
} as const;

const peakTorque: Characteristic = {
  ...hold,
  id: 'peak-torque',
  name: 'peak torque held',
  definition:
    'Least mean over 0.1 s of the shaft torque in the direction of the command during the hold, after its first 0.5 s.',
  formula: 'min of the mean of τ over 0.1 s, after the first 0.5 s',
  shifts: 'warm magnets; a supply that sags; calibration of the transducer',
  dimension: 'torque',
  unit: 'N·m',
  side: 'shaft',
  source: 'common practice, no source',
  score: (capture, stage, _reading, context) => {
    const held = holdOf(capture, stage, context, 0.7);
    if ('reason' in held) return held;
    const from = held.first + Math.round(0.5 * held.rate);
    const sense = held.along(1) - held.along(0);
    const turned = held.torque.subarray(from, held.end).map((v) => sense * v);
    const least = leastMovingMean(turned, Math.round(0.1 * held.rate));
    return measured(held.along(sense * least));
  },
};

const thermalFade: Characteristic = {
  ...hold,
  id: 'thermal-fade',
  name: 'thermal fade',
  definition:
    'One less the ratio of the mean shaft torque over the last second of the hold to that from 1 s to 2 s.',
  formula: '1 − mean(τ, last 1 s) / mean(τ, 1 s … 2 s)',
  shifts:
    'drift of the bridge amplifier; warming of the transducer; an item still warm from the stage before',
  dimension: 'ratio',
  unit: '%',
  side: 'shaft',
  source: 'common practice, no source',
  score: (capture, stage, _reading, context) => {
    const held = holdOf(capture, stage, context, 3);
    if ('reason' in held) return held;
    const { rate, first, end, torque, along } = held;
    const early = along(mean(torque, first + Math.round(rate), first + Math.round(2 * rate)));
    const late = along(mean(torque, end - Math.round(rate), end));
    if (!(early > 0)) return notEvaluated(`The torque at the start is ${shown(early)} N·m.`);
    return measured(1 - late / early);
  },
};

const windingRise: Characteristic = {
  ...hold,
  id: 'winding-rise',
  name: 'winding temperature rise',
  definition:
    'Mean winding temperature over the last 0.5 s of the hold less that over its first 0.5 s.',
  formula: 'mean(T, last 0.5 s) − mean(T, first 0.5 s)',
  shifts:
    'which winding carries the current at the locked angle, 0 to 2 times the mean; draught; an item still warm from the stage before',
  dimension: 'temperature difference',
  unit: 'K',
  side: 'thermal',
  source: 'common practice, no source',
  score: (capture, stage) => {
    const part = lastPart(stage.pattern, 'hold', (held) => held.level !== 0);
    if (part === undefined) return notEvaluated('The stage holds no torque.');
    const take = capture.takes[0];
    const channels = channelsOf(take, ['winding']);
    if ('reason' in channels) return channels;
    const { first, end } = samplesOf(take, part.from, part.to);
    const half = Math.round(0.5 * take.rate);
    if (end - first < 2 * half) return notEvaluated('The hold lasts less than 1 s.');
    const { winding } = channels;
    return measured(mean(winding, end - half, end) - mean(winding, first, first + half));
  },
};

const RATE_OPTIONS = { window: { dimension: 'time', default: 5 } } as const;
/** Length of the means that the slope is fitted to, s. */
const BLOCK = 0.05;

const temperatureRate: Characteristic = {
  ...hold,
  id: 'temperature-rate',
  name: 'rate of the winding temperature',
  definition:
    'Slope of the least-squares line through the winding temperature over the first 5 s of the hold.',
  formula: 'k of the least-squares line T = k · t + c over the first 5 s',
  shifts:
    'which winding carries the current at the locked angle, 0 to 2 times the mean; the length of the window, as the rise flattens; an item still warm from the stage before',
  dimension: 'temperature rate',
  unit: 'K/s',
  side: 'thermal',
  options: RATE_OPTIONS,
  source: 'common practice, no source',
  score: (capture, stage, reading) => {
    const part = lastPart(stage.pattern, 'hold', (held) => held.level !== 0);
    if (part === undefined) return notEvaluated('The stage holds no torque.');
    const take = capture.takes[0];
    const channels = channelsOf(take, ['winding']);
    if ('reason' in channels) return channels;
    const window = option(reading.options, RATE_OPTIONS, 'window');
    const { first, end } = samplesOf(take, part.from, Math.min(part.to, part.from + window));
    const length = Math.round(BLOCK * take.rate);
    const count = Math.floor((end - first) / length);
    if (count * BLOCK < window - BLOCK) {
      const held = shown((end - first) / take.rate);
      return notEvaluated(`The hold lasts ${held} s; at least ${shown(window)} s are needed.`);
    }
    const means = Array.from({ length: count }, (_, k) =>
      mean(channels.winding, first + k * length, first + (k + 1) * length),
    );
    const times = means.map((_, k) => (k * length) / take.rate);
    const line = fitLine('least-squares', times, means);
    return line === undefined
      ? notEvaluated('The window is too short for a line.')
      : measured(line.slope);
  },
};

const DURATION_OPTIONS = { share: { dimension: 'ratio', default: 0.95 } } as const;
/** Length of the means that are compared, s: one period of 50 Hz. */
const PERIOD = 0.02;

const peakDuration: Characteristic = {
  ...hold,
  id: 'peak-duration',
  name: 'duration of the peak torque',
  definition:
    'Time from when means over 20 ms of the shaft torque reach the share of the commanded level until they first fall below it, or until the hold ends; no longer than the hold even for an item that never folds back.',
  formula: 't(first mean(τ) < share · u) − t(first mean(τ) ≥ share · u)',
  shifts:
    'the length of the hold, which bounds it; the share; warm magnets; the gain of the transducer',
  dimension: 'time',
  unit: 's',
  side: 'shaft',
  options: DURATION_OPTIONS,
  source: 'common practice, no source',
  score: (capture, stage, reading, context) => {
    const held = holdOf(capture, stage, context, 0.2);
    if ('reason' in held) return held;
    const share = option(reading.options, DURATION_OPTIONS, 'share');
    const half = Math.round((PERIOD / 2) * held.rate);
    const wanted = share * held.level;
    const above = (middle: number): boolean =>
      held.along(mean(held.torque, middle - half, middle + half)) >= wanted;
    // Means are taken a millisecond apart: enough for a time that is counted in seconds.
    const stride = Math.max(1, Math.round(0.001 * held.rate));
    let start = held.first + half;
    while (start + half <= held.end && !above(start)) start += stride;
    if (start + half > held.end) {
      const level = `${shown(share * 100)} % of ${shown(held.level)} N·m`;
      return notEvaluated(`The torque never reaches ${level} during the hold.`);
    }
    let end = start;
    while (end + half <= held.end && above(end)) end += stride;
    const foldsBack = end + half <= held.end;
    return measured(((foldsBack ? end : held.end) - start) / held.rate);
  },
};

/** Characteristics that are read off long holds. */
export const HEAT: readonly Characteristic[] = [
  peakTorque,
  peakDuration,
  thermalFade,
  windingRise,
  temperatureRate,
];
