import type { Capture, Take } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { butterworth, zeroPhaseGain } from './filter.js';
import { periodicPart, readLag, type PeriodicPart } from './lag.js';
import { mean, standardDeviation } from './line.js';
import { channelsOf, measured, notEvaluated, option, shown, type NotEvaluated } from './reading.js';
import type { Characteristic, Context, Evidence, Outcome } from './scoring.js';
import type { Spectrum } from '../base/fourier.js';
import { linesByPeriod } from './spectrum.js';
import { TRACKING } from './tracking.js';

/** Order of the low-pass that separates a shape from its grain; it is run forwards and backwards. */
const ORDER = 4;
const HIGHEST = 2000; // Hz: above, a sampled staircase leaves less than 0.3 % of its grain
const SIDEBANDS = [-3, -1, 1, 3]; // cycles a shape is away from a multiple of the source rate

/** Grain of one record and what noise adds to it, unit of the samples, rms. */
export interface Grain {
  /** Noise that does not repeat from period to period is taken out in power. */
  readonly grain: number;
  /** What that noise amounts to in the lines that were read. */
  readonly noise: number;
}

/**
 * Reads the grain: rms of what is left of a held sine when its smooth part, a fourth-order
 * zero-phase Butterworth low-pass at half the source rate, is taken away.
 *
 * It is read at the lines that holding makes, k · source ± 1 and ± 3 cycles up to 2 kHz, which repeat
 * in every period. What does not repeat is noise: its share is estimated from the scatter of the
 * same lines between the periods and subtracted in power.
 *
 * @param x - Samples in any unit.
 * @param part - A staircase of a sine; two periods or more.
 * @param rate - Samples a second.
 *
 * Check: tests/checks/smoothing.check.ts.
 */
export function readGrain(
  x: Float32Array | Float64Array,
  part: PeriodicPart & { readonly held: number; readonly sine: number },
  rate: number,
): Grain {
  const cycles = part.period / rate;
  const filter = butterworth(ORDER, part.held / 2, rate);
  const multiples = Math.max(1, Math.floor(HIGHEST / part.held));
  const frequencies = Array.from({ length: multiples }, (_, k) =>
    SIDEBANDS.map((side) => (k + 1) * part.held + side * part.sine),
  ).flat();
  const bins = frequencies.map((f) => Math.round(f * cycles));
  const periods = linesByPeriod(x, part, bins);
  let [power, noise] = [0, 0];
  frequencies.forEach((f, k) => {
    const weight = (1 - zeroPhaseGain(filter, f)) ** 2 / 2;
    const line = meanLine(periods, k);
    power += weight * line.squared;
    noise += weight * line.noise;
  });
  return { grain: Math.sqrt(Math.max(0, power - noise)), noise: Math.sqrt(noise) };
}

/** Squared amplitude of the mean of a line over periods, and the variance of that mean. */
function meanLine(periods: readonly Spectrum[], k: number): { squared: number; noise: number } {
  const n = periods.length;
  const re = mean(periods.map((p) => p.re[k] as number));
  const im = mean(periods.map((p) => p.im[k] as number));
  const scatter = periods.reduce(
    (sum, p) => sum + ((p.re[k] as number) - re) ** 2 + ((p.im[k] as number) - im) ** 2,
    0,
  );
  return { squared: re * re + im * im, noise: scatter / (n * (n - 1)) };
}

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
  return {
    lag: 'kind' in lag ? lag : lag.delay,
    grain: grainOf(channels.current, part, take, stage),
  };
}

function grainOf(
  current: Float32Array,
  part: PeriodicPart,
  take: Take,
  stage: Stage,
): number | NotEvaluated {
  const { held, sine } = part;
  if (held === undefined || sine === undefined) {
    return notEvaluated('Grain is read from a staircase of a sine.');
  }
  if (Math.abs(stage.updates / held - Math.round(stage.updates / held)) > 1e-6) {
    const found = `${shown(held)} Hz of the source into ${shown(stage.updates)} Hz of the item`;
    return notEvaluated(`The item holds values unevenly: ${found} does not go whole times.`);
  }
  return readGrain(current, { ...part, held, sine }, take.rate).grain;
}

/** One setting: mean over its takes. Lag in s, grain in N·m rms. */
interface Point {
  readonly setting: number;
  readonly lag: readonly number[];
  readonly grain: readonly number[];
  readonly reasons: readonly NotEvaluated[];
}

/** Reads every setting of a stage, in rising order of the setting. */
function pointsOf(capture: Capture, stage: Stage, context: Context): readonly Point[] {
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

function evidenceOf(points: readonly Point[]): Evidence {
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
function atSetting(points: readonly Point[], setting: number, what: 'lag' | 'grain'): Outcome {
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

const SETTING = { smoothing: { dimension: 'count' } } as const;

const lag: Characteristic = {
  id: 'lag',
  name: 'lag against the latched command',
  definition:
    'Delay of motor-side torque behind the command as latched, from the slope of the phase up to a tenth of the bandwidth; a correlation must agree within 0.2 ms.',
  dimension: 'time',
  unit: 'ms',
  side: 'motor',
  from: ['staircase', 'multisine', 'sine'],
  power: 'on',
  takes: 1,
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

const grain: Characteristic = {
  ...lag,
  id: 'grain',
  name: 'grain',
  definition:
    'Root mean square of motor-side torque less its fourth-order zero-phase Butterworth low-pass at half the source rate, read at the lines that holding makes; noise that does not repeat is subtracted in power.',
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
