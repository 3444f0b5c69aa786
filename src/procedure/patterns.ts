import { hertz, inertia, newtonMetre, second, torquePerRadian, viscous } from '../base/units.js';
import type { Quantity } from '../base/units.js';
import { isNonEmpty } from '../base/numbers.js';
import type { Pattern } from './procedure.js';
import { readRecording } from './recording.js';
import type { Recordings } from './meaning.js';
import type { Values } from './values.js';

/** Builds the pattern of a stage from a document that passed its checks. */
export function buildPattern(values: Values, pointer: string, recordings: Recordings): Pattern {
  const parts = values.list(pointer).map((part) => buildPart(values, part, recordings));
  if (!isNonEmpty(parts)) throw new Error(`the schema let an empty ${pointer} through`);
  return parts.length === 1 ? parts[0] : { kind: 'list', parts };
}

type Kind = Exclude<Pattern['kind'], 'list'>;
type Builders = {
  readonly [K in Kind]: (at: At) => Omit<Extract<Pattern, { kind: K }>, 'kind'>;
};

/** Reads the members of one pattern. */
interface At {
  torque(key: string): Quantity<'N·m'>;
  time(key: string, otherwise?: number): Quantity<'s'>;
  frequency(key: string): Quantity<'Hz'>;
  count(key: string, otherwise?: number): number;
  text(key: string): string;
  torques(key: string): readonly Quantity<'N·m'>[];
  frequencies(key: string): readonly Quantity<'Hz'>[];
  ratio(key: string, otherwise: number): number;
  /** Any other quantity, in the base unit that the schema asks for. */
  base(key: string): number;
  pattern(key: string): Pattern;
  samples(key: string): Float64Array;
}

function buildPart(values: Values, pointer: string, recordings: Recordings): Pattern {
  const kind = values.text(`${pointer}/kind`) as Kind; // the schema admits these kinds only
  const members = BUILDERS[kind](accessTo(values, pointer, recordings));
  return { kind, ...members } as Pattern; // a builder yields the members of its own kind
}

const BUILDERS: Builders = {
  hold: (at) => ({ level: at.torque('level'), duration: at.time('duration') }),
  ramp: (at) => ({ from: at.torque('from'), to: at.torque('to'), duration: at.time('duration') }),
  step: (at) => ({
    levels: twoOrMore(at.torques('levels')),
    hold: at.time('hold'),
    repeat: at.count('repeat', 1),
    edge: at.time('edge', 0),
  }),
  triangle: (at) => ({
    amplitude: at.torque('amplitude'),
    frequency: at.frequency('frequency'),
    cycles: at.count('cycles'),
  }),
  staircase: (at) => ({ rate: at.frequency('rate'), of: at.pattern('of') }),
  burst: (at) => ({
    amplitude: at.torque('amplitude'),
    frequency: at.frequency('frequency'),
    cycles: at.count('cycles'),
    window: at.text('window') === 'hann' ? 'hann' : 'none',
  }),
  chirp: (at) => ({
    amplitude: at.torque('amplitude'),
    from: at.frequency('from'),
    to: at.frequency('to'),
    duration: at.time('duration'),
    sweep: at.text('sweep') === 'linear' ? 'linear' : 'logarithmic',
  }),
  sine: (at) => ({
    amplitude: at.torque('amplitude'),
    frequency: at.frequency('frequency'),
    duration: at.time('duration'),
  }),
  multisine: (at) => ({
    from: at.frequency('from'),
    to: at.frequency('to'),
    lines: at.count('lines'),
    rms: at.torque('rms'),
    period: at.time('period'),
    periods: at.count('periods'),
    draws: at.count('draws'),
    seed: at.count('seed'),
    avoid: at.frequencies('avoid'),
  }),
  'pseudo-random': (at) => ({
    amplitude: at.torque('amplitude'),
    rate: at.frequency('rate'),
    order: at.count('order'),
    periods: at.count('periods'),
  }),
  recorded: (at) => ({
    file: at.text('file'),
    digest: at.text('digest'),
    rate: at.frequency('rate'),
    scale: at.ratio('scale', 1),
    samples: at.samples('file'),
  }),
  silence: (at) => ({
    level: at.torque('level'),
    before: at.time('before'),
    silent: at.time('silent'),
    after: at.time('after'),
  }),
  'virtual-spring': (at) => ({
    stiffness: {
      from: torquePerRadian(at.base('stiffness/from')),
      to: torquePerRadian(at.base('stiffness/to')),
      factor: at.ratio('stiffness/factor', 1),
    },
    damping: viscous(at.base('damping')),
    wheel: {
      inertia: inertia(at.base('wheel/inertia')),
      drag: viscous(at.base('wheel/drag')),
    },
    kick: at.torque('kick'),
    dwell: at.time('dwell'),
    limit: at.torque('limit'),
  }),
};

function accessTo(values: Values, pointer: string, recordings: Recordings): At {
  const of = (key: string): string => `${pointer}/${key}`;
  return {
    torque: (key) => newtonMetre(values.base(of(key))),
    time: (key, otherwise) => second(optional(values, of(key), otherwise)),
    frequency: (key) => hertz(values.base(of(key))),
    count: (key, otherwise) =>
      otherwise === undefined || values.has(of(key)) ? values.number(of(key)) : otherwise,
    text: (key) => values.text(of(key)),
    torques: (key) => values.items(of(key)).map((item) => newtonMetre(values.base(item))),
    frequencies: (key) => values.items(of(key)).map((item) => hertz(values.base(item))),
    ratio: (key, otherwise) => optional(values, of(key), otherwise),
    base: (key) => values.base(of(key)),
    pattern: (key) => buildPart(values, of(key), recordings),
    samples: (key) => samplesOf(values.text(of(key)), recordings),
  };
}

function optional(values: Values, pointer: string, otherwise: number | undefined): number {
  return otherwise === undefined || values.has(pointer) ? values.base(pointer) : otherwise;
}

function twoOrMore<T>(list: readonly T[]): readonly [T, T, ...T[]] {
  const [first, next, ...rest] = list;
  if (first === undefined || next === undefined)
    throw new Error('the schema let one level through');
  return [first, next, ...rest];
}

function samplesOf(file: string, recordings: Recordings): Float64Array {
  const bytes = recordings(file);
  const recording = bytes === undefined ? undefined : readRecording(bytes, file);
  if (recording === undefined || !('samples' in recording)) {
    throw new Error(`the recording "${file}" changed while it was read`);
  }
  return recording.samples;
}
