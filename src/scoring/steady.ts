import type { Capture, Screened, Take } from '../capture/capture.js';
import type { Reading, Stage } from '../procedure/procedure.js';
import { STATIC } from './dependence.js';
import {
  deviationsFrom,
  fitLine,
  greatestMagnitude,
  type Line,
  mean,
  relativeDifference,
} from './line.js';
import {
  type NotEvaluated,
  type Stretch,
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  samplesOf,
  shown,
} from './reading.js';
import type { Characteristic, Context } from './scoring.js';

/**
 * Left out at the end of each hold, s: over a minute the clock of the item gains or loses 4 ms on
 * that of the digitizer, so the next level may begin early.
 */
const GUARD = 0.005;

/** Means over the end of one hold. */
export interface HoldMean {
  /** N·m, from the command channel. */
  readonly command: number;
  /** Shaft torque less the unloaded zero, N·m. */
  readonly torque: number;
  /** A; NaN when there is no current channel. */
  readonly current: number;
}

/** Left out at the start of a zero, s: its first samples may still show what was before. */
export const LEAD_IN = 0.1;

const HOLD_OPTIONS = {
  conditioning: { dimension: 'count', default: 0 },
  average: { dimension: 'time', default: 0.35 },
} as const;

/**
 * Averages the end of each hold of a step pattern, the delay of each channel taken out.
 *
 * @param options - `conditioning`, how many levels at the start only exercise the item;
 * `average`, how long each hold is averaged, up to 5 ms before its end, s.
 */
export function holdMeans(
  take: Take,
  part: Stretch<'step'>,
  options: { readonly conditioning: number; readonly average: number },
  context: Context,
): readonly HoldMean[] | NotEvaluated {
  const channels = channelsOf(take, ['command', 'torque']);
  if ('reason' in channels) return channels;
  const { levels, repeat, hold, edge } = part.pattern;
  const { torqueDelay, currentDelay } = context.stand;
  const average = Math.min(options.average, hold - edge - GUARD);
  const found: HoldMean[] = [];
  for (let i = Math.round(options.conditioning); i < levels.length * repeat; i++) {
    const end = part.from + (i + 1) * hold - GUARD;
    const over = (samples: Float32Array, delay: number): number => {
      const { first, end: last } = samplesOf(take, end - average + delay, end + delay);
      return mean(samples, first, last);
    };
    const { current } = take.channels;
    const torque = over(channels.torque, torqueDelay) - context.zero;
    const command = over(channels.command, 0);
    if (!Number.isFinite(torque + command)) continue; // the take ends before this hold
    found.push({
      command,
      torque,
      current: current === undefined ? Number.NaN : over(current, currentDelay),
    });
  }
  return found;
}

/** Holds of the last step pattern of a stage, first take, as a reading's options say. */
function holdsOf(
  capture: Screened<Capture>,
  stage: Stage,
  reading: Reading,
  context: Context,
): readonly HoldMean[] | NotEvaluated {
  const part = lastPart(stage.pattern, 'step');
  if (part === undefined) return notEvaluated('The stage holds no step pattern.');
  const options = {
    conditioning: option(reading.options, HOLD_OPTIONS, 'conditioning'),
    average: option(reading.options, HOLD_OPTIONS, 'average'),
  };
  return holdMeans(capture.takes[0], part, options, context);
}

function lineOf(
  holds: readonly HoldMean[],
  x: 'command' | 'current',
  what: string,
): Line | NotEvaluated {
  const line = fitLine(
    'least-squares',
    holds.map((hold) => hold[x]),
    holds.map((hold) => hold.torque),
  );
  if (holds.length < 3 || line === undefined) {
    return notEvaluated(
      `${what} needs at least 3 holds at different levels; ${holds.length} are there.`,
    );
  }
  return line;
}

function slopeOf(...asked: Parameters<typeof lineOf>): number | NotEvaluated {
  const line = lineOf(...asked);
  return 'reason' in line ? line : line.slope;
}

const holds = {
  from: ['step'],
  power: 'on',
  takes: 1,
  options: HOLD_OPTIONS,
  side: 'shaft',
  gates: STATIC,
  check: 'tests/checks/linearity.check.ts',
} as const;

const staticGain: Characteristic = {
  ...holds,
  id: 'static-gain',
  name: 'static gain',
  definition:
    'Slope of the least-squares line through the mean shaft torque of all holds after conditioning, in both directions, against the command.',
  formula: 'g of the least-squares line τ = g·u + b through all holds',
  shifts:
    'calibration and alignment of the transducer; magnets warmer than 23 °C, −0.11 % a kelvin; holds too short to settle',
  dimension: 'ratio',
  unit: '%',
  source:
    'common practice, no source; averaging of both directions after DIN 51309 ideas (from memory)',
  score: (capture, stage, reading, context) => {
    const means = holdsOf(capture, stage, reading, context);
    if ('reason' in means) return means;
    const slope = slopeOf(means, 'command', 'A gain');
    return typeof slope === 'number' ? measured(slope) : slope;
  },
};

const offset: Characteristic = {
  ...holds,
  id: 'offset',
  name: 'offset',
  definition:
    'Shaft torque at zero command on the least-squares line through the mean shaft torque of all holds after conditioning, in both directions, less the unloaded zero.',
  formula: 'b of the least-squares line τ = g·u + b through all holds',
  shifts:
    'drift of the bridge amplifier while it warms; cogging at the angle where the shaft is locked; the preload; levels visited in one direction only',
  dimension: 'torque',
  unit: 'mN·m',
  source: 'common practice, no source; line: least squares',
  check: 'tests/unit/steady.test.ts',
  score: (capture, stage, reading, context) => {
    const means = holdsOf(capture, stage, reading, context);
    if ('reason' in means) return means;
    const line = lineOf(means, 'command', 'An offset');
    return 'reason' in line ? line : measured(line.intercept);
  },
};

/** Fewest levels a statement about linearity rests on. */
const FEWEST_LEVELS = 11;

const linearity: Characteristic = {
  ...holds,
  id: 'linearity',
  name: 'linearity',
  definition:
    'Greatest deviation of the mean shaft torque of each level, both directions averaged, from the least-squares line through these means, as a share of the greatest commanded level.',
  formula: 'max |τ − (g·u + b)| / max |u|, the two directions of each level averaged',
  shifts:
    'linearity and hysteresis of the transducer; levels visited in one direction only; warming between the first level and the last',
  dimension: 'ratio',
  unit: '%',
  source:
    'IEC 61298-2, average of upscale and downscale readings (from memory); line: least squares',
  score: (capture, stage, reading, context) => {
    const means = holdsOf(capture, stage, reading, context);
    if ('reason' in means) return means;
    const levels = averageLevels(means);
    if (levels.length < FEWEST_LEVELS) {
      return notEvaluated(
        `Linearity needs at least ${FEWEST_LEVELS} levels; ${levels.length} are there.`,
      );
    }
    const x = levels.map((level) => level.command);
    const y = levels.map((level) => level.torque);
    const line = fitLine('least-squares', x, y);
    if (line === undefined) return notEvaluated('All holds are at one level.');
    return measured(greatestMagnitude(deviationsFrom(line, x, y)) / greatestMagnitude(x));
  },
};

/** Averages the holds of each level; commands within 1 mN·m are one level. */
function averageLevels(means: readonly HoldMean[]): readonly HoldMean[] {
  const levels = new Map<number, HoldMean[]>();
  for (const hold of means) {
    const key = Math.round(hold.command * 1000);
    levels.set(key, [...(levels.get(key) ?? []), hold]);
  }
  return [...levels.values()].map((list) => ({
    command: mean(list.map((hold) => hold.command)),
    torque: mean(list.map((hold) => hold.torque)),
    current: mean(list.map((hold) => hold.current)),
  }));
}

const symmetry: Characteristic = {
  ...holds,
  id: 'symmetry',
  name: 'symmetry',
  definition:
    'Difference of the slopes of two least-squares lines, one through the holds at and above zero, one through those at and below, over the mean of their magnitudes; positive when the positive side is stronger.',
  formula: '2 · (|g₊| − |g₋|) / (|g₊| + |g₋|)',
  shifts:
    'an unloaded zero that is wrong, as it bends both lines at zero; a transducer of unequal sensitivity',
  dimension: 'ratio',
  unit: '%',
  source: 'common practice, no source',
  check: 'tests/unit/steady.test.ts',
  score: (capture, stage, reading, context) => {
    const means = holdsOf(capture, stage, reading, context);
    if ('reason' in means) return means;
    const near = 1e-3; // N·m: a hold at zero belongs to both sides
    const above = slopeOf(
      means.filter((h) => h.command > -near),
      'command',
      'The positive side',
    );
    const below = slopeOf(
      means.filter((h) => h.command < near),
      'command',
      'The negative side',
    );
    if (typeof above !== 'number') return above;
    if (typeof below !== 'number') return below;
    return measured(relativeDifference(above, below));
  },
};

const CONSTANT_OPTIONS = {
  ...HOLD_OPTIONS,
  from: { dimension: 'ratio', default: 0.1 },
  to: { dimension: 'ratio', default: 0.6 },
} as const;

const torqueConstant: Characteristic = {
  ...holds,
  id: 'torque-constant',
  name: 'torque constant',
  definition:
    'Slope of the least-squares line of mean shaft torque against mean current amplitude over the holds whose command is 10–60 % of the greatest level of the stage, both signs and directions together.',
  formula: 'Kt of the least-squares line τ = Kt·i + c, holds at 10–60 % of the greatest level',
  shifts:
    'calibration of transducer and current sensor; warm magnets, −0.11 % a kelvin; current stated as root mean square instead of amplitude',
  dimension: 'torque constant',
  unit: 'N·m/A',
  options: CONSTANT_OPTIONS,
  source: 'common practice, no source; current as amplitude, not root mean square',
  check: 'tests/unit/steady.test.ts',
  score: (capture, stage, reading, context) => {
    const means = holdsOf(capture, stage, reading, context);
    if ('reason' in means) return means;
    if (capture.takes[0].channels.current === undefined) {
      return notEvaluated('The capture has no channel current.');
    }
    const greatest = greatestMagnitude(means.map((hold) => hold.command));
    const near = 1e-3 * greatest;
    const from = option(reading.options, CONSTANT_OPTIONS, 'from') * greatest - near;
    const to = option(reading.options, CONSTANT_OPTIONS, 'to') * greatest + near;
    const inside = means.filter((h) => Math.abs(h.command) >= from && Math.abs(h.command) <= to);
    const slope = slopeOf(inside, 'current', 'A torque constant');
    return typeof slope === 'number' ? measured(slope) : slope;
  },
};

const torqueConstantDroop: Characteristic = {
  ...holds,
  id: 'torque-constant-droop',
  name: 'droop of the torque constant at peak',
  definition:
    'One less the ratio of shaft torque over current, from 0.5 s to 1.5 s of the hold, to the torque constant that this run measured at 10–60 %.',
  formula: '1 − (mean(τ) / mean(i)) / Kt, means from 0.5 s to 1.5 s of the hold',
  shifts:
    'magnets warmed since the torque constant was read; a linearity error of the current sensor',
  dimension: 'ratio',
  unit: '%',
  from: ['hold'],
  options: {},
  source: 'common practice, no source',
  check: 'tests/unit/steady.test.ts',
  score: (capture, stage, _reading, context) => {
    if (context.torqueConstant.origin !== 'measured') {
      return notEvaluated('No earlier stage of this run measured the torque constant.');
    }
    const part = lastPart(stage.pattern, 'hold', (hold) => hold.level !== 0);
    if (part === undefined) return notEvaluated('The stage holds no torque.');
    const take = capture.takes[0];
    const channels = channelsOf(take, ['torque', 'current']);
    if ('reason' in channels) return channels;
    const over = (samples: Float32Array, delay: number): number => {
      const { first, end } = samplesOf(take, part.from + 0.5 + delay, part.from + 1.5 + delay);
      return mean(samples, first, Math.min(end, Math.round(part.to * take.rate)));
    };
    const torque = over(channels.torque, context.stand.torqueDelay) - context.zero;
    const current = over(channels.current, context.stand.currentDelay);
    if (!(Math.abs(current) * context.torqueConstant.value > 0.5 * Math.abs(part.pattern.level))) {
      const expected = `the hold of ${shown(part.pattern.level)} N·m`;
      return notEvaluated(`A current of ${shown(current)} A does not make ${expected}.`);
    }
    return measured(1 - torque / current / context.torqueConstant.value);
  },
};

const zeroOffset: Characteristic = {
  ...holds,
  id: 'zero-offset',
  name: 'zero offset',
  definition:
    'Mean shaft torque with power on and zero commanded, after the first 0.1 s, less the unloaded zero.',
  formula: 'mean(τ) with power on at u = 0, after the first 0.1 s',
  shifts:
    'drift of the bridge amplifier while it warms; cogging at the angle where the shaft is locked; a side load of the clamp',
  dimension: 'torque',
  unit: 'mN·m',
  from: ['hold'],
  options: {},
  source: 'common practice, no source',
  check: 'tests/unit/steady.test.ts',
  score: (capture, stage, _reading, context) => {
    const part = lastPart(stage.pattern, 'hold', (hold) => hold.level === 0);
    if (part === undefined) return notEvaluated('The stage holds no zero.');
    const take = capture.takes[0];
    const channels = channelsOf(take, ['torque']);
    if ('reason' in channels) return channels;
    const { first, end } = samplesOf(take, part.from + LEAD_IN, part.to);
    return measured(mean(channels.torque, first, end) - context.zero);
  },
};

/** Mean torque of the first take with this fixture, N·m, or why there is none. */
export function fixtureMean(
  capture: Capture,
  fixture: Take['settings']['fixture'],
): number | NotEvaluated {
  const take = capture.takes.find((candidate) => candidate.settings.fixture === fixture);
  if (take === undefined) return notEvaluated(`No take was ${fixture}.`);
  const channels = channelsOf(take, ['torque']);
  if ('reason' in channels) return channels;
  const first = Math.round(LEAD_IN * take.rate);
  return channels.torque.length > first
    ? mean(channels.torque, first)
    : notEvaluated(`The ${fixture} take is shorter than ${LEAD_IN} s.`);
}

const preload: Characteristic = {
  ...holds,
  id: 'preload',
  name: 'preload',
  definition: 'Mean torque coupled less mean torque uncoupled, both without power.',
  formula: 'mean(τ coupled) − mean(τ uncoupled), power off',
  shifts: 'how the item was clamped; drift between the two zeros; a hand on the wheel',
  dimension: 'torque',
  unit: 'mN·m',
  from: ['hold'],
  power: 'off',
  options: {},
  source: 'common practice, no source; two zeros after DIN 51309 ideas (from memory)',
  check: 'tests/unit/steady.test.ts',
  score: (capture) => {
    const coupled = fixtureMean(capture, 'coupled');
    const uncoupled = fixtureMean(capture, 'uncoupled');
    if (typeof coupled !== 'number') return coupled;
    if (typeof uncoupled !== 'number') return uncoupled;
    return measured(coupled - uncoupled);
  },
};

/** Characteristics that are read off holds and zeros. */
export const STEADY: readonly Characteristic[] = [
  zeroOffset,
  preload,
  staticGain,
  offset,
  linearity,
  symmetry,
  torqueConstant,
  torqueConstantDroop,
];
