import type { Capture, Screened, Take } from '../capture/capture.js';
import { doubt, gateOf, type Finding } from '../capture/gate.js';
import { delayFromAngles } from './delay.js';
import { mean, standardDeviation } from './line.js';
import { averageResponse } from './response.js';
import { channelsOf, measured, notEvaluated, option, shown, type NotEvaluated } from './reading.js';
import type { Characteristic, Context, GateRule } from './scoring.js';
import { linesByPeriod } from './spectrum.js';

/** Channels whose delay behind the command channel is measured. */
type Delayed = 'torque' | 'current';

const COMMAND_STEP = 1; // N·m: the test signal toggles the command channel between 0 and this
const CURRENT_STEP = 1; // A: what the current channel steps by
const LEVELS = 0.04; // s on either side of an edge: two periods of 50 Hz
const APART = 0.01; // s from an edge to where its level is read
const LONGEST = 0.03; // s: a channel that is later than this does not follow
const BEFORE = 0.5e-3; // s before the middle of an edge from which it is summed up,
const AFTER = 2e-3; // and s after it: a bridge amplifier of 1 kHz has settled by then
const FEWEST = 4;

/** Delay of a channel behind the command channel, edge by edge, s. */
export interface EdgeDelays {
  readonly each: readonly number[];
  /** The same from the slope of the phase angle, 5 … 50 Hz, with its standard error: a check. */
  readonly byAngle: { readonly delay: number; readonly standardError: number };
}

/**
 * Reads by how much a channel is later than the command channel, when test edges are given to both.
 *
 * The delay of an edge is the area between it and the edge of the command, both on a scale from
 * level to level. That is the first moment of the impulse response of the chain, and so the slope
 * of its phase angle at low frequency, whatever filter the chain holds; noise counts only where
 * the edge is.
 *
 * @param step - What the channel steps by when the command goes up, unit of the channel.
 *
 * Source: phase slope at zero frequency as first moment of the impulse response, textbook (from
 * memory). Check: tests/unit/timing.test.ts.
 */
export function edgeDelays(take: Take, channel: Delayed, step: number): EdgeDelays | NotEvaluated {
  const channels = channelsOf(take, ['command', channel]);
  if ('kind' in channels) return channels;
  const edges = edgesOf(channels.command, take.rate);
  if (edges.length < FEWEST) {
    return notEvaluated(
      `The command channel shows ${edges.length} test edges; ${FEWEST} are needed.`,
    );
  }
  const x = channels[channel];
  const middle = middleOf(x, edges, take.rate);
  const height = mean(edges.map((edge) => Math.abs(rise(x, edge, take.rate))));
  if (middle === undefined || !(Math.abs(height / step) > 0.5 && Math.abs(height / step) < 2)) {
    const found = `steps by ${shown(height)} where ${shown(step)} is expected`;
    return notEvaluated(`The ${channel} channel does not follow the test edges: it ${found}.`);
  }
  const each = edges.map((edge) => {
    const from = Math.round(edge + middle - BEFORE * take.rate);
    const to = Math.round(edge + middle + AFTER * take.rate);
    const start = levelBefore(x, edge, take.rate);
    return (areaTo(x, from, to, start, rise(x, edge, take.rate)) - edge) / take.rate;
  });
  return { each, byAngle: phaseSlope(channels.command, x, take.rate, edges) };
}

/** Places of the edges in samples, to a fraction: a sample that an edge cuts holds a mean. */
function edgesOf(command: Float32Array, rate: number): readonly number[] {
  const room = Math.ceil((APART + LEVELS) * rate);
  const places: number[] = [];
  for (let i = Math.max(1, room); i < command.length - room; i++) {
    const [before, here] = [command[i - 1] as number, command[i] as number];
    const [was, is] = [before > COMMAND_STEP / 2, here > COMMAND_STEP / 2];
    if (was === is) continue;
    const from = command[i - 2] as number;
    const to = command[i + 1] as number;
    places.push(areaTo(command, i - 2, i + 2, from, to - from));
  }
  return places;
}

/** Sample position at which an ideal edge would leave the same area under it. */
function areaTo(x: Float32Array, from: number, to: number, level: number, rise: number): number {
  let sum = from;
  for (let i = from; i < to; i++) sum += 1 - ((x[i] as number) - level) / rise;
  return sum;
}

function levelBefore(x: Float32Array, edge: number, rate: number): number {
  const end = Math.round(edge - rate * BEFORE);
  return mean(x, end - Math.round(LEVELS * rate), end);
}

function rise(x: Float32Array, edge: number, rate: number): number {
  const first = Math.round(edge + APART * rate);
  return mean(x, first, first + Math.round(LEVELS * rate)) - levelBefore(x, edge, rate);
}

/** Samples from an edge of the command to the middle of the edge that follows, over all edges. */
function middleOf(x: Float32Array, edges: readonly number[], rate: number): number | undefined {
  const rises = edges.map(
    (edge) => [edge, levelBefore(x, edge, rate), rise(x, edge, rate)] as const,
  );
  for (let k = 0; k < LONGEST * rate; k++) {
    const share = mean(
      rises.map(([at, low, up]) => ((x[Math.floor(at) + k] as number) - low) / up),
    );
    if (share >= 0.5) return k;
  }
  return undefined;
}

const HIGHEST = 50; // Hz

/** Delay from the phase angles of the lines that a square wave has up to 50 Hz. */
function phaseSlope(
  command: Float32Array,
  x: Float32Array,
  rate: number,
  edges: readonly number[],
): { readonly delay: number; readonly standardError: number } {
  const [first, last] = [edges[0] as number, edges.at(-1) as number];
  const period = Math.round((2 * (last - first)) / (edges.length - 1));
  const start = Math.round(first);
  const periods = Math.floor((command.length - start) / period);
  const bins: number[] = [];
  for (let bin = 1; (bin * rate) / period <= HIGHEST; bin += 2) bins.push(bin);
  if (bins.length === 0 || periods < 1) return { delay: Number.NaN, standardError: Number.NaN };
  const repeats = { start, period, periods };
  const { ratio, frequency, coherence, averages } = averageResponse(
    Float64Array.from(bins, (bin) => (bin * rate) / period),
    linesByPeriod(command, repeats, bins),
    linesByPeriod(x, repeats, bins),
  );
  const sign = (ratio.re[0] as number) < 0 ? -1 : 1; // a shunt may pull the reading down
  const angle = ratio.re.map((re, k) => Math.atan2(sign * (ratio.im[k] as number), sign * re));
  return delayFromAngles({ frequency, angle, coherence, averages });
}

/** Largest difference that the two ways of reading a delay may have besides noise, s. */
const AGREEMENT = 2e-5;

function delayOf(
  capture: Screened<Capture>,
  channel: Delayed,
  context: Context,
): EdgeDelays | NotEvaluated {
  const take = capture.takes.find((candidate) => candidate.settings.fixture === 'timing');
  if (take === undefined) return notEvaluated('No take was made with the fixture "timing".');
  const step = channel === 'torque' ? Math.abs(context.shunt) : CURRENT_STEP;
  const found = edgeDelays(take, channel, step);
  if ('kind' in found) return found;
  const value = mean(found.each);
  const { delay, standardError } = found.byAngle;
  const allowed = AGREEMENT + 4 * (Number.isFinite(standardError) ? standardError : 0);
  if (!(Math.abs(delay - value) <= allowed)) {
    const ways = `${shown(value * 1000)} ms by edges, ${shown(delay * 1000)} ms by phase`;
    return notEvaluated(`Two ways of reading the delay of the ${channel} channel differ: ${ways}.`);
  }
  return found;
}

const SHARED = {
  dimension: 'time',
  unit: 'ms',
  from: ['hold'],
  power: 'off',
  takes: 1,
  options: {},
  gates: [],
  formula: 't_d = ∫ (u(t) − y(t)) dt, u and y from 0 to 1 over an edge; mean over the edges',
  source:
    'common practice, no source; phase slope at 0 Hz as first moment of the impulse response (from memory)',
  check: 'tests/unit/timing.test.ts',
} as const;

function delayCharacteristic(
  channel: Delayed,
  words: Pick<Characteristic, 'id' | 'name' | 'definition' | 'shifts' | 'side'>,
): Characteristic {
  return {
    ...SHARED,
    ...words,
    score: (capture, _stage, _reading, context) => {
      const found = delayOf(capture, channel, context);
      if ('kind' in found) return found;
      const spread = standardDeviation(found.each);
      return measured(mean(found.each), { spread, repeats: found.each.length });
    },
  };
}

const torqueDelay = delayCharacteristic('torque', {
  id: 'torque-delay',
  name: 'delay of the torque channel',
  definition:
    'Mean time by which an edge of the shunt torque in the torque channel is later than the same edge in the command channel, by the area between the two edges.',
  shifts: 'filter of the bridge amplifier; mains hum; where the shunt is switched into the chain',
  side: 'shaft',
});

const currentDelay = delayCharacteristic('current', {
  id: 'current-delay',
  name: 'delay of the current channel',
  definition:
    'Mean time by which a test edge in the current channel is later than the same edge in the command channel, by the area between the two edges.',
  shifts: 'filter of the current sensor; its noise, 7 µs an edge at 20 mA',
  side: 'motor',
});

/** Characteristics that are read off the test edges of the stand. */
export const TIMING: readonly Characteristic[] = [torqueDelay, currentDelay];

const ALLOWED = { allowed: { dimension: 'time', default: 1e-4 } } as const;

const timing: GateRule = {
  id: 'timing',
  name: 'channel delays',
  definition:
    'Greatest difference of the delays of torque and current channel, as test edges show them now, from those of the stand model.',
  blames: 'stand',
  concern: 'clock',
  sense: 'at-most',
  reach: 'dependents',
  stops: false,
  from: ['hold'],
  power: 'off',
  options: ALLOWED,
  source: 'common practice, no source',
  judge: (capture, stage, options, context) =>
    gateOf(timing, stage.id, judgeTiming(capture, option(options, ALLOWED, 'allowed'), context)),
};

function judgeTiming(capture: Screened<Capture>, allowed: number, context: Context): Finding {
  const limit = allowed * 1000;
  const torque = delayOf(capture, 'torque', context);
  if ('kind' in torque) return doubt(limit, 'ms', torque.reason);
  const current = delayOf(capture, 'current', context);
  if ('kind' in current) return doubt(limit, 'ms', current.reason);
  const { torqueDelay: late, currentDelay: later } = context.stand;
  const found = [
    { name: 'torque', now: mean(torque.each), model: late },
    { name: 'current', now: mean(current.each), model: later },
  ].map((one) => ({ ...one, apart: Math.abs(one.now - one.model) }));
  const worst = found.reduce((a, b) => (b.apart > a.apart ? b : a));
  const observed = worst.apart * 1000;
  const compared = `${shown(worst.now * 1000)} ms, the stand model says ${shown(worst.model * 1000)} ms`;
  return {
    observed,
    allowed: limit,
    unit: 'ms',
    holds: observed <= limit,
    evidence: `The ${worst.name} channel is late by ${compared}: ${shown(observed)} ms apart, ${shown(limit)} ms allowed.`,
  };
}

/** Gates judged from the test edges of the stand. */
export const TIMING_GATES: readonly GateRule[] = [timing];
