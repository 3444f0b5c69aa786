import { unreachable } from '../base/error.js';
import type { Pattern, Stage, StepPattern } from '../procedure/procedure.js';
import { multisineOf } from './multisine.js';
import { maximalLengthSignal } from './random.js';
import { kickAt, rungsOf } from './virtual-spring.js';

type Of<K extends Pattern['kind']> = Extract<Pattern, { readonly kind: K }>;

/** Torque in N·m at a time in s since the start of the pattern. */
export type Shape = (time: number) => number;

/**
 * How close, in s, a time must be to an instant to count as that instant. Durations are binary
 * fractions of a second that miss their decimal text by far less; updates are far longer.
 */
export const INSTANT = 1e-8;

/** How many instants of a uniform grid lie before `time` (s), the first at 0. */
export function instantsBefore(time: number, rate: number): number {
  return Math.ceil((time - INSTANT) * rate);
}

/** Number of the interval of a uniform grid that `time` (s) lies in, counted from 0. */
function intervalOf(time: number, rate: number): number {
  return Math.max(0, Math.floor((time + INSTANT) * rate));
}

/** How many takes a stage plays in all: one for each setting, each time it is repeated. */
export function takesOf(stage: Pick<Stage, 'takes' | 'repeats'>): number {
  return stage.takes.length * (stage.repeats ?? 1);
}

/** Duration of a pattern in s. */
export function durationOf(pattern: Pattern): number {
  switch (pattern.kind) {
    case 'hold':
    case 'ramp':
    case 'chirp':
    case 'sine':
      return pattern.duration;
    case 'step':
      return pattern.levels.length * pattern.repeat * pattern.hold;
    case 'triangle':
    case 'burst':
      return pattern.cycles / pattern.frequency;
    case 'staircase':
      return durationOf(pattern.of);
    case 'multisine':
      return pattern.period * pattern.periods;
    case 'pseudo-random':
      return ((2 ** pattern.order - 1) * pattern.periods) / pattern.rate;
    case 'recorded':
      return pattern.samples.length / pattern.rate;
    case 'silence':
      return pattern.before + pattern.silent + pattern.after;
    case 'virtual-spring':
      return rungsOf(pattern).length * pattern.dwell;
    case 'list':
      return pattern.parts.reduce((sum, part) => sum + durationOf(part), 0);
    default:
      return unreachable(pattern);
  }
}

/** One pattern of a list with its place in the whole. */
export interface Part {
  readonly pattern: Pattern;
  /** s since the start of the whole; `to` is the start of the next part. */
  readonly from: number;
  readonly to: number;
}

/**
 * Lists the parts of a pattern one after another, lists inside lists resolved; a pattern that is no
 * list is its own only part. A staircase stays whole, because one source holds all of it.
 *
 * @returns Times in s, rounded to 1 ns so that 0.1 + 0.2 is 0.3.
 */
export function parts(pattern: Pattern): readonly Part[] {
  let end = 0;
  return flatten(pattern).map((part) => {
    const from = end;
    end += durationOf(part);
    return { pattern: part, from: toNanosecond(from), to: toNanosecond(end) };
  });
}

function flatten(pattern: Pattern): readonly Pattern[] {
  return pattern.kind === 'list' ? pattern.parts.flatMap(flatten) : [pattern];
}

function toNanosecond(time: number): number {
  return Math.round(time * 1e9) / 1e9;
}

/** A change of level in a step pattern. */
export interface Edge {
  /** Start of the edge, s since the start of the pattern. */
  readonly time: number;
  /** N·m */
  readonly from: number;
  readonly to: number;
}

/** Lists the changes of level of a step pattern, also those from one repeat to the next. */
export function edges(pattern: StepPattern): readonly Edge[] {
  const found: Edge[] = [];
  for (let i = 1; i < pattern.levels.length * pattern.repeat; i++) {
    const [from, to] = [levelOf(pattern, i - 1), levelOf(pattern, i)];
    if (from !== to) found.push({ time: toNanosecond(i * pattern.hold), from, to });
  }
  return found;
}

/**
 * Samples what the source means: staircases and recordings not held, recordings as straight lines
 * from value to value.
 *
 * @param rate - Samples a second, any; the first sample is at 0.
 * @returns Torque in N·m.
 */
export function underlying(pattern: Pattern, rate: number): Float64Array {
  return sampled(pattern, 'underlying', rate);
}

/**
 * Samples the command on its way to the item: staircases and recordings held at the rate of their
 * source, before the item's own latch.
 *
 * @param rate - Samples a second, any; the first sample is at 0.
 * @returns Torque in N·m.
 */
export function held(pattern: Pattern, rate: number): Float64Array {
  return sampled(pattern, 'held', rate);
}

function sampled(pattern: Pattern, view: View, rate: number): Float64Array {
  const shape = shapeOf(pattern, view);
  const samples = new Float64Array(instantsBefore(durationOf(pattern), rate));
  const fresh = Math.min(samples.length, samplesBeforeRepeat(pattern, rate));
  for (let i = 0; i < fresh; i++) samples[i] = shape(i / rate);
  for (let i = fresh; i < samples.length; i += fresh) {
    samples.set(samples.subarray(0, Math.min(fresh, samples.length - i)), i);
  }
  return samples;
}

/** Samples after which all that follows has been computed already: a sum of many cosines is slow. */
function samplesBeforeRepeat(pattern: Pattern, rate: number): number {
  if (pattern.kind !== 'multisine') return Infinity;
  const period = Math.round(pattern.period * rate);
  return period > 0 && Math.abs(period - pattern.period * rate) < 1e-9 ? period : Infinity;
}

/** As the source means it, or as it reaches the item: staircases and recordings held. */
type View = 'underlying' | 'held';

/** Makes the function of time that `underlying` samples. */
export function underlyingShape(pattern: Pattern): Shape {
  return shapeOf(pattern, 'underlying');
}

function shapeOf(pattern: Pattern, view: View): Shape {
  switch (pattern.kind) {
    case 'hold':
      return () => pattern.level;
    case 'ramp':
      return (time) =>
        pattern.from + (pattern.to - pattern.from) * Math.min(1, time / pattern.duration);
    case 'step':
      return (time) => stepAt(pattern, time);
    case 'triangle':
      return (time) => pattern.amplitude * triangleAt(time * pattern.frequency);
    case 'staircase':
      return view === 'held' ? staircase(pattern) : shapeOf(pattern.of, view);
    case 'burst':
      return (time) => pattern.amplitude * burstAt(pattern, time);
    case 'chirp':
      return (time) => pattern.amplitude * Math.sin(2 * Math.PI * chirpCycles(pattern, time));
    case 'sine':
      return (time) => pattern.amplitude * Math.sin(2 * Math.PI * pattern.frequency * time);
    case 'multisine':
      return multisine(pattern);
    case 'pseudo-random':
      return pseudoRandom(pattern);
    case 'recorded':
      return view === 'held' ? heldRecording(pattern) : joinedRecording(pattern);
    case 'silence':
      return () => pattern.level;
    case 'virtual-spring':
      return (time) => kickAt(pattern, time);
    case 'list':
      return oneAfterAnother(pattern, view);
    default:
      return unreachable(pattern);
  }
}

function oneAfterAnother(pattern: Of<'list'>, view: View): Shape {
  const members = parts(pattern).map((part) => ({
    from: part.from,
    shape: shapeOf(part.pattern, view),
  }));
  let current = 0; // times mostly ask for the part of the time before
  return (time) => {
    while (current > 0 && time + INSTANT < (members[current]?.from ?? 0)) current -= 1;
    while (time + INSTANT >= (members[current + 1]?.from ?? Infinity)) current += 1;
    const member = members[current];
    return member === undefined ? 0 : member.shape(Math.max(0, time - member.from));
  };
}

function staircase(pattern: Of<'staircase'>): Shape {
  const shape = shapeOf(pattern.of, 'held');
  return (time) => shape(intervalOf(time, pattern.rate) / pattern.rate);
}

function pseudoRandom(pattern: Of<'pseudo-random'>): Shape {
  const signal = maximalLengthSignal(pattern.order);
  return (time) => {
    const level = signal[intervalOf(time, pattern.rate) % signal.length] as number;
    return pattern.amplitude * level;
  };
}

function levelOf(pattern: StepPattern, index: number): number {
  return pattern.levels[index % pattern.levels.length] as number;
}

function stepAt(pattern: StepPattern, time: number): number {
  const last = pattern.levels.length * pattern.repeat - 1;
  const index = Math.min(last, Math.floor((time + INSTANT) / pattern.hold));
  const level = levelOf(pattern, index);
  const since = Math.max(0, time - index * pattern.hold);
  if (index === 0 || since >= pattern.edge) return level;
  const before = levelOf(pattern, index - 1);
  return before + (level - before) * 0.5 * (1 - Math.cos((Math.PI * since) / pattern.edge));
}

/** 0 at the start, +1 after a quarter of a cycle, −1 after three. */
function triangleAt(cycles: number): number {
  const place = cycles - Math.floor(cycles + 0.25); // −0.25 … 0.75
  return place <= 0.25 ? 4 * place : 2 - 4 * place;
}

function burstAt(pattern: Of<'burst'>, time: number): number {
  const cycles = pattern.frequency * time;
  const sine = Math.sin(2 * Math.PI * cycles);
  if (pattern.window === 'none') return sine;
  return sine * 0.5 * (1 - Math.cos((2 * Math.PI * cycles) / pattern.cycles));
}

/**
 * Counts the cycles a chirp has made: the integral of its frequency. Multiplying time by the
 * frequency of the moment instead would sweep twice as fast.
 *
 * Check: tests/checks/pattern.check.ts.
 */
export function chirpCycles(pattern: Of<'chirp'>, time: number): number {
  const { from, to, duration } = pattern;
  switch (pattern.sweep) {
    case 'linear':
      return from * time + ((to - from) * time * time) / (2 * duration);
    case 'logarithmic': {
      const octaves = Math.log(to / from);
      if (octaves === 0) return from * time;
      return (from * duration * Math.expm1((octaves * time) / duration)) / octaves;
    }
    default:
      return unreachable(pattern.sweep);
  }
}

/** Frequency of a chirp in Hz at a time in s. */
export function chirpFrequency(pattern: Of<'chirp'>, time: number): number {
  const share = time / pattern.duration;
  switch (pattern.sweep) {
    case 'linear':
      return pattern.from + (pattern.to - pattern.from) * share;
    case 'logarithmic':
      return pattern.from * (pattern.to / pattern.from) ** share;
    default:
      return unreachable(pattern.sweep);
  }
}

function multisine(pattern: Of<'multisine'>): Shape {
  const { lines } = multisineOf(pattern);
  return (time) => {
    const periods = time / pattern.period;
    const turn = 2 * Math.PI * (periods - Math.floor(periods));
    let sum = 0;
    for (const line of lines) sum += line.amplitude * Math.cos(turn * line.bin + line.angle);
    return sum;
  };
}

function heldRecording(pattern: Of<'recorded'>): Shape {
  const { samples, rate, scale } = pattern;
  return (time) => scale * (samples[Math.min(intervalOf(time, rate), samples.length - 1)] ?? 0);
}

function joinedRecording(pattern: Of<'recorded'>): Shape {
  const { samples, rate, scale } = pattern;
  return (time) => {
    const index = Math.min(intervalOf(time, rate), samples.length - 1);
    const here = samples[index] ?? 0;
    const next = samples[index + 1] ?? here;
    const share = Math.min(1, Math.max(0, time * rate - index));
    return scale * (here + (next - here) * share);
  };
}
