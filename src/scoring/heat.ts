import type { Capture, Screened } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { mean } from './line.js';
import {
  type NotEvaluated,
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
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
  return { rate: take.rate, first, end, torque: channels.torque, along };
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
  options: {},
  check: 'tests/unit/heat.test.ts',
} as const;

const peakTorque: Characteristic = {
  ...hold,
  id: 'peak-torque',
  name: 'peak torque held',
  definition:
    'Least mean over 0.1 s of the shaft torque in the direction of the command during the hold, after its first 0.5 s.',
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

/** Characteristics that are read off long holds. */
export const HEAT: readonly Characteristic[] = [peakTorque, thermalFade, windingRise];
