import type { Capture, Screened, Take } from '../capture/capture.js';
import { edges, type Edge } from '../pattern/waveform.js';
import type { Stage, StepPattern } from '../procedure/procedure.js';
import { mean, standardDeviation } from './line.js';
import { type NotEvaluated, channelsOf, lastPart, notEvaluated, shown } from './reading.js';
import type { Context, Evidence } from './scoring.js';
import { type Transition, findTransition, smoothed } from './transition.js';

/** Which edges of a step pattern are read, and off which channel. */
export interface EdgeChoice {
  readonly size: 'smallest' | 'largest';
  readonly side: 'motor' | 'shaft';
}

/** The mean of repeated edges, all turned to rise from 0, aligned at their command edges. */
export interface AveragedEdge {
  /** Centre of each sample after the command edge, delay of the channel taken out, s. */
  readonly time: Float64Array;
  /** s between samples. */
  readonly step: number;
  /** Change of torque since the plateau before, N·m. */
  readonly torque: Float64Array;
  /** The same thinned of noise by a parabola over 0.4 ms. */
  readonly calm: Float64Array;
  readonly command: Float64Array;
  /** Each edge by itself, with its own change of level. */
  readonly each: readonly SingleEdge[];
  /** Measured change between the plateaus, N·m, > 0. */
  readonly change: number;
  /** Standard deviation of the mean on the plateau after, N·m. */
  readonly noise: number;
  /** Level before the edge and sense of the change, for drawing: that of the first rising edge. */
  readonly base: number;
  readonly sense: 1 | -1;
  readonly pattern: StepPattern;
}

/** One edge as it was captured, from one level of the command to another, N·m. */
export interface SingleEdge {
  readonly from: number;
  readonly to: number;
  readonly torque: Float64Array;
  /** Measured change between its plateaus, N·m. */
  readonly change: number;
}

/** Clearance between a plateau and the edges beside it, s: covers the delays of the channels. */
const CLEARANCE = 0.002;
/** Half width of the smoothing parabola, s. */
const CALM = 0.0002;

/**
 * Averages the edges of the last step pattern of a stage.
 *
 * A command edge is placed where the area under the command puts it: exact for samples that are
 * means over their period, whatever the shape of the edge. Nothing is aligned by the torque that
 * is read. Levels are means of the last fifth of the plateaus before and after.
 *
 * @returns The averaged edge of the first take, or why there is none.
 */
export function averageEdges(
  capture: Screened<Capture>,
  stage: Stage,
  context: Context,
  choice: EdgeChoice,
): AveragedEdge | NotEvaluated {
  const take = capture.takes[0];
  const part = lastPart(stage.pattern, 'step');
  if (part === undefined) return notEvaluated('The stage holds no step pattern.');
  const channel = choice.side === 'motor' ? 'current' : 'torque';
  const channels = channelsOf(take, ['command', channel]);
  if ('reason' in channels) return channels;
  const motor = choice.side === 'motor';
  const source: Source = {
    take,
    command: channels.command,
    produced: channels[channel],
    scale: motor ? context.torqueConstant.value : 1,
    delay: motor ? context.stand.currentDelay : context.stand.torqueDelay,
    pattern: part.pattern,
  };
  const chosen = chooseEdges(part.pattern, choice.size);
  const cut = chosen.flatMap((edge) => cutEdge(source, part.from, edge));
  if (cut.length === 0) {
    return notEvaluated(`None of ${chosen.length} edges is found in the captured command.`);
  }
  return combine(source, cut, chosen);
}

interface Source {
  readonly take: Take;
  readonly command: Float32Array;
  readonly produced: Float32Array;
  readonly scale: number;
  readonly delay: number;
  readonly pattern: StepPattern;
}

interface Cut {
  readonly from: number;
  readonly to: number;
  readonly command: Float64Array;
  readonly torque: Float64Array;
}

function chooseEdges(pattern: StepPattern, size: EdgeChoice['size']): readonly Edge[] {
  const all = edges(pattern);
  const sizes = all.map((edge) => Math.abs(edge.to - edge.from));
  const wanted = size === 'smallest' ? Math.min(...sizes) : Math.max(...sizes);
  return all.filter((_, i) => Math.abs((sizes[i] as number) - wanted) <= 0.01 * wanted);
}

/** Samples before and after the command edge that belong to one edge. */
function extentOf(source: Source): { readonly before: number; readonly after: number } {
  const { hold, edge } = source.pattern;
  const { rate } = source.take;
  return {
    before: Math.floor(rate * (0.2 * hold + edge / 2)),
    after: Math.floor(rate * (hold - edge / 2 - CLEARANCE)),
  };
}

/** Cuts one edge out, rising from 0 in the command; empty when the command shows no such edge. */
function cutEdge(source: Source, begin: number, { time, from, to }: Edge): readonly Cut[] {
  const place = placeOfEdge(source, begin + time, to - from);
  if (place === undefined) return [];
  const { before, after } = extentOf(source);
  const first = place - before;
  const length = source.produced.length;
  if (first < 0 || Math.ceil(place + after) > length) return [];
  const cut = (samples: Float32Array, scale: number): Float64Array => {
    const start = Math.floor(first);
    const share = first - start;
    return Float64Array.from({ length: before + after }, (_, k) => {
      const here = samples[start + k] as number;
      const next = samples[Math.min(length - 1, start + k + 1)] as number;
      return scale * (here + share * (next - here));
    });
  };
  const sense = Math.sign(to - from);
  const command = cut(source.command, sense);
  return [{ from, to, command, torque: cut(source.produced, sense * source.scale) }];
}

/** Instant of a command edge in samples, from the area between the command and its new level. */
function placeOfEdge(
  source: Pick<Source, 'command' | 'take' | 'pattern'>,
  nominal: number,
  change: number,
): number | undefined {
  const { command, take, pattern } = source;
  const margin = Math.min(0.005, 0.4 * (pattern.hold - pattern.edge));
  const first = Math.max(0, Math.round((nominal - margin) * take.rate));
  const end = Math.round((nominal + pattern.edge + margin) * take.rate);
  if (end > command.length || end - first < 4) return undefined;
  const low = command[first] as number;
  const high = command[end - 1] as number;
  if (Math.abs(high - low - change) > 0.2 * Math.abs(change)) return undefined;
  let area = 0;
  for (let i = first; i < end; i++) area += (high - (command[i] as number)) / (high - low);
  return first + area;
}

/**
 * Finds where the largest edges of the last step pattern of a stage lie in the first take.
 *
 * @returns Places in samples, between them where the command says so, or why there is none.
 */
export function largestEdges(
  capture: Capture,
  stage: Stage,
): { readonly places: readonly number[]; readonly pattern: StepPattern } | NotEvaluated {
  const take = capture.takes[0];
  const part = lastPart(stage.pattern, 'step');
  if (part === undefined) return notEvaluated('The stage holds no step pattern.');
  const channels = channelsOf(take, ['command']);
  if ('reason' in channels) return channels;
  const { pattern } = part;
  const source = { command: channels.command, take, pattern };
  const places = chooseEdges(pattern, 'largest')
    .map(({ time, from, to }) => placeOfEdge(source, part.from + time, to - from))
    .filter((place) => place !== undefined);
  if (places.length === 0) return notEvaluated('No edge is found in the captured command.');
  return { places, pattern };
}

function combine(
  source: Source,
  cut: readonly Cut[],
  chosen: readonly Edge[],
): AveragedEdge | NotEvaluated {
  const { take, pattern, delay } = source;
  const { before, after } = extentOf(source);
  const step = 1 / take.rate;
  const time = Float64Array.from(
    { length: before + after },
    (_, k) => (k - before + 0.5) * step - delay,
  );
  const clear = Math.round(take.rate * CLEARANCE);
  const lowEnd = Math.max(1, before - Math.round((pattern.edge / 2) * take.rate) - clear);
  const highStart = Math.min(
    before + after - 1,
    before + Math.round((0.8 * pattern.hold - pattern.edge / 2) * take.rate) - clear,
  );
  const raised = cut.map((one) => ({
    ...one,
    command: less(one.command, mean(one.command, 0, lowEnd)),
    torque: less(one.torque, mean(one.torque, 0, lowEnd)),
  }));
  const torque = meanOf(raised.map((one) => one.torque));
  const change = mean(torque, highStart);
  const expected = Math.abs((chosen[0]?.to ?? 0) - (chosen[0]?.from ?? 0));
  if (!(change > 0.2 * expected)) {
    const found = `the torque changed by ${shown(change)} N·m`;
    return notEvaluated(`The command changed by ${shown(expected)} N·m, but ${found}.`);
  }
  const drawn = chosen.find((edge) => edge.to > edge.from) ?? chosen[0];
  return {
    time,
    step,
    torque,
    calm: calmed(torque, step),
    command: meanOf(raised.map((one) => one.command)),
    each: raised.map(({ from, to, torque: single }) => {
      return { from, to, torque: single, change: mean(single, highStart) };
    }),
    change,
    noise: standardDeviation(torque, highStart),
    base: drawn?.from ?? 0,
    sense: (drawn?.to ?? 0) >= (drawn?.from ?? 0) ? 1 : -1,
    pattern,
  };
}

/** Thins noise by a parabola over 0.4 ms; `step` in s. */
export function calmed(torque: Float64Array, step: number): Float64Array {
  return smoothed(torque, Math.round(CALM / step));
}

function less(samples: Float64Array, level: number): Float64Array {
  return samples.map((v) => v - level);
}

function meanOf(list: readonly Float64Array[]): Float64Array {
  const sum = new Float64Array(list[0]?.length ?? 0);
  for (const samples of list) {
    for (let i = 0; i < sum.length; i++) sum[i] = (sum[i] as number) + (samples[i] as number);
  }
  return sum.map((v) => v / list.length);
}

/** Finds the transition of the averaged edge between its own levels. */
export function transitionOf(edge: AveragedEdge): Transition | undefined {
  return findTransition(edge.torque, { low: 0, high: edge.change });
}

/** Time after the command edge of a place between samples, s. */
export function timeAt(edge: AveragedEdge, place: number): number {
  return (edge.time[0] as number) + place * edge.step;
}

/**
 * Standard deviation of a reading over the single edges; undefined for fewer than two of them.
 * Single edges are noisier than their mean: this describes one repeat.
 */
export function spreadOver(
  edge: AveragedEdge,
  read: (torque: Float64Array, change: number) => number | undefined,
): number | undefined {
  const values = edge.each.flatMap(({ torque, change }) => read(torque, change) ?? []);
  return values.length < 2 ? undefined : standardDeviation(values);
}

/** Cuts what a plot needs: from 1 ms before the command edge until well after the reading. */
export function evidenceOf(
  edge: AveragedEdge,
  until: number,
  marks: readonly { readonly time: number; readonly share: number }[],
  band?: { readonly half: number; readonly settled: number },
): Evidence {
  const first = Math.max(
    0,
    edge.time.findIndex((t) => t >= -0.001),
  );
  const found = edge.time.findIndex((t) => t > until);
  const end = found < 0 ? edge.time.length : found;
  const drawn = (v: number): number => edge.base + edge.sense * v;
  const levels =
    band === undefined ? [] : [-band.half, band.half].map((b) => drawn(edge.change + b));
  return {
    kind: 'transition',
    time: edge.time.slice(first, end),
    command: edge.command.slice(first, end).map(drawn),
    torque: edge.torque.slice(first, end).map(drawn),
    marks: marks.map(({ time, share }) => ({ time, share, torque: drawn(share * edge.change) })),
    ...(band === undefined
      ? {}
      : {
          band: { lower: Math.min(...levels), upper: Math.max(...levels), settled: band.settled },
        }),
  };
}
