import type { Capture, Take } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { DYNAMIC } from './dependence.js';
import { heldSine, readGrain } from './grain.js';
import { periodicPart, readLag } from './lag.js';
import { mean, standardDeviation } from './line.js';
import { channelsOf, measured, notEvaluated, option, type NotEvaluated } from './reading.js';
import type { Characteristic, Context, Evidence, Outcome } from './scoring.js';
import { TRACKING } from './tracking.js';

/** One take of a stage, read. Grain in A rms, lag in s with the delay of the current channel. */
interface TakeReading {
  readonly lag: number | NotEvaluated;
  readonly grain: number | NotEvaluated;
}

/** Four characteristics read the same takes. */
const known = new WeakMap<Take, { readonly stage: Stage; readonly reading: TakeReading }>();

function readTake(take: Take, stage: Stage): TakeReading {
  const before = known.get(take);
  if (before?.stage === stage) return before.reading;
  const reading = freshReading(take, stage);
  known.set(take, { stage, reading });
  return reading;
}

function freshReading(take: Take, stage: Stage): TakeReading {
  const part = periodicPart(take, stage);
  if ('kind' in part) return { lag: part, grain: part };
  const channels = channelsOf(take, ['current']);
  if ('kind' in channels) return { lag: channels, grain: channels };
  const lag = readLag(take, part);
  const held = heldSine(part, stage);
  return {
    lag: 'kind' in lag ? lag : lag.delay,
    grain: 'kind' in held ? held : readGrain(channels.current, held, take.rate).grain,
  };
}

/** One setting: mean over its takes. Lag in s, grain in N·m rms. */
export interface Point {
  readonly setting: number;
  readonly lag: readonly number[];
  readonly grain: readonly number[];
  readonly reasons: readonly NotEvaluated[];
}

/** Reads every setting of a stage, in rising order of the setting. */
export function pointsOf(capture: Capture, stage: Stage, context: Context): readonly Point[] {
  const settings = [...new Set(capture.takes.map((take) => take.settings.smoothing))];
  return settings
    .sort((a, b) => a - b)
    .map((setting) => {
      const readings = capture.takes
        .filter((take) => take.settings.smoothing === setting)
        .map((take) => readTake(take, stage));
      const numbers = (values: readonly (number | NotEvaluated)[]): readonly number[] =>
        values.filter((value) => typeof value === 'number');
      return {
        setting,
        lag: numbers(readings.map(({ lag }) => lag)).map((s) => s - context.stand.currentDelay),
        grain: numbers(readings.map(({ grain }) => grain)).map(
          (a) => a * context.torqueConstant.value,
        ),
        reasons: readings
          .flatMap(({ lag, grain }) => [lag, grain])
          .filter((value) => typeof value !== 'number'),
      };
    });
}

/** What a plot of lag against grain needs. */
export function evidenceOf(
  points: readonly Point[],
): Extract<Evidence, { readonly kind: 'smoothing' }> {
  const whole = points.filter(({ lag, grain }) => lag.length > 0 && grain.length > 0);
  return {
    kind: 'smoothing',
    points: whole.map(({ setting, lag, grain }) => ({
      setting,
      lag: mean(lag),
      grain: mean(grain),
    })),
  };
}

/** The value of one setting, with its reason when there is none. */
export function atSetting(
  points: readonly Point[],
  setting: number,
  what: 'lag' | 'grain',
): Outcome {
  const point = points.find((candidate) => candidate.setting === setting);
  if (point === undefined) {
    const found = points.map((candidate) => candidate.setting).join(', ');
    return notEvaluated(`No take has smoothing ${setting}; the stage has ${found}.`);
  }
  const values = point[what];
  if (values.length === 0) return point.reasons[0] ?? notEvaluated('Nothing was read.');
  const evidence = evidenceOf(points);
  if (values.length === 1) return measured(mean(values), { evidence });
  const spread = standardDeviation(values);
  return measured(mean(values), { evidence, spread, repeats: values.length });
}

/** Compares each setting with the next and keeps the comparison nearest to the limit. */
function overSettings(
  points: readonly Point[],
  what: 'lag' | 'grain',
  compare: (lower: number, higher: number) => number,
  worst: (...values: number[]) => number,
): Outcome {
  const bare = points.find((point) => point[what].length === 0);
  if (bare !== undefined) return bare.reasons[0] ?? notEvaluated('Nothing was read.');
  if (points.length < 2) return notEvaluated('The order needs takes at two settings or more.');
  const compared = points
    .slice(1)
    .map((point, i) => compare(mean((points[i] as Point)[what]), mean(point[what])));
  return measured(worst(...compared), { evidence: evidenceOf(points) });
}

/** The setting of smoothing that is read. */
export const SETTING = { smoothing: { dimension: 'count' } } as const;

const lag: Characteristic = {
  id: 'lag',
  name: 'lag against the latched command',
  definition:
    'Delay of motor-side torque behind the command as latched, from the slope of the phase up to a tenth of the bandwidth; a correlation must agree within 0.2 ms.',
  formula: '−d arg H / dω, weighted by coherence, up to a tenth of the bandwidth',
  shifts:
    'against what it is counted: against the source it is half a source period more; a delay of the current channel that is not in the stand model',
  dimension: 'time',
  unit: 'ms',
  side: 'motor',
  from: ['staircase', 'multisine', 'sine'],
  power: 'on',
  takes: 1,
  gates: DYNAMIC,
  options: SETTING,
  source: 'common practice, no source; weights after Knapp & Carter 1976 (from memory)',
  check: 'tests/checks/delay.check.ts',
  score: (capture, stage, reading, context) =>
    atSetting(
      pointsOf(capture, stage, context),
      option(reading.options, SETTING, 'smoothing'),
      'lag',
    ),
};

export const grain: Characteristic = {
  ...lag,
  id: 'grain',
  name: 'grain',
  definition:
    'Root mean square of motor-side torque less its fourth-order zero-phase Butterworth low-pass at half the source rate, read at the lines that holding makes; noise that does not repeat is subtracted in power.',
  formula:
    '√Σ |Aₖ|²·(1 − |B(fₖ)|²)² / 2 over the lines fₖ of the hold, noise taken out; B: fourth-order Butterworth at half the source rate',
  shifts:
    'amplitude and frequency of the sine, and the source rate; the slew limit; a source rate that does not go whole times into the updates',
  dimension: 'torque',
  unit: 'mN·m',
  from: ['staircase'],
  source: 'common practice, no source',
  check: 'tests/checks/smoothing.check.ts',
  score: (capture, stage, reading, context) =>
    atSetting(
      pointsOf(capture, stage, context),
      option(reading.options, SETTING, 'smoothing'),
      'grain',
    ),
};

const lagIncrease: Characteristic = {
  ...lag,
  id: 'lag-increase',
  name: 'lag increase from setting to setting',
  definition: 'Smallest increase of lag from one smoothing setting to the next higher.',
  formula: 'min over settings of lag(s + 1) − lag(s)',
  shifts:
    'one setting alone that is wrong, two that are exchanged; the slew limit, which adds 0.02 ms at setting 0',
  takes: 2,
  options: {},
  check: 'tests/checks/smoothing.check.ts',
  score: (capture, stage, _reading, context) =>
    overSettings(
      pointsOf(capture, stage, context),
      'lag',
      (lower, higher) => higher - lower,
      Math.min,
    ),
};

const grainRatio: Characteristic = {
  ...grain,
  id: 'grain-ratio',
  name: 'grain ratio from setting to setting',
  definition: 'Largest ratio of grain at one smoothing setting to grain at the next lower.',
  formula: 'max over settings of grain(s + 1) / grain(s)',
  shifts:
    'one setting alone that is wrong, two that are exchanged; noise, where grain is a few mN·m',
  dimension: 'ratio',
  unit: '1',
  takes: 2,
  options: {},
  score: (capture, stage, _reading, context) =>
    overSettings(
      pointsOf(capture, stage, context),
      'grain',
      (lower, higher) => higher / lower,
      Math.max,
    ),
};

/** Characteristics that are read off smoothing and off following a source. */
export const SMOOTHING: readonly Characteristic[] = [
  lag,
  lagIncrease,
  grain,
  grainRatio,
  ...TRACKING,
];
