import { PATTERN_KINDS } from '../procedure/procedure.js';
import { STATIC } from './dependence.js';
import { largestEdges } from './edge.js';
import { leastMovingMean } from './heat.js';
import { mean } from './line.js';
import { channelsOf, measured, notEvaluated, option, shown } from './reading.js';
import type { Characteristic } from './scoring.js';
import { settledAt } from './transition.js';

const SUPPLY_OPTIONS = { window: { dimension: 'time', default: 0.001 } } as const;

const supplyMinimum: Characteristic = {
  id: 'supply-minimum',
  name: 'lowest supply voltage',
  definition:
    'Least mean of the supply voltage over 1 ms in any take of the stage, so that single noisy samples do not count.',
  formula: 'min over the stage of the mean of the supply voltage over 1 ms',
  shifts: 'the supply of the stand and its leads rather than the item; the length of the mean',
  dimension: 'voltage',
  unit: 'V',
  side: 'electrical',
  from: PATTERN_KINDS,
  power: 'on',
  takes: 1,
  gates: STATIC,
  options: SUPPLY_OPTIONS,
  source: 'common practice, no source',
  check: 'tests/unit/heat.test.ts',
  score: (capture, _stage, reading) => {
    const window = option(reading.options, SUPPLY_OPTIONS, 'window');
    let least = Infinity;
    for (const take of capture.takes) {
      const { supply } = take.channels;
      if (supply === undefined) return notEvaluated('The capture has no channel supply.');
      least = Math.min(least, leastMovingMean(supply, Math.round(window * take.rate)));
    }
    return measured(least);
  },
};

/** Time at the start of a take in which the item has not answered yet, s. */
const BEFORE_LOAD = 0.0004;

const SAG_OPTIONS = { window: { dimension: 'time', default: 0.1 } } as const;

const supplySag: Characteristic = {
  ...supplyMinimum,
  id: 'supply-sag',
  name: 'sag of the supply',
  definition:
    'Supply voltage in the first 0.4 ms of a take, before the item has answered, less its least mean over 100 ms; the greatest of the takes.',
  formula: 'max over takes of U(first 0.4 ms) − min of the mean of U over 100 ms',
  shifts:
    'the supply of the stand and its leads rather than the item; load left over from the stage before; how long the load lasts',
  options: SAG_OPTIONS,
  check: 'tests/unit/electrical.test.ts',
  score: (capture, _stage, reading) => {
    const window = option(reading.options, SAG_OPTIONS, 'window');
    let most = -Infinity;
    for (const take of capture.takes) {
      const { supply } = take.channels;
      if (supply === undefined) return notEvaluated('The capture has no channel supply.');
      const length = Math.round(window * take.rate);
      if (supply.length < length) {
        const held = shown(supply.length / take.rate);
        return notEvaluated(`A take lasts ${held} s; at least ${shown(window)} s are needed.`);
      }
      const unloaded = mean(supply, 0, Math.round(BEFORE_LOAD * take.rate));
      most = Math.max(most, unloaded - leastMovingMean(supply, length));
    }
    return measured(most);
  },
};

const RECOVERY_OPTIONS = { band: { dimension: 'ratio', default: 0.01 } } as const;
/** Half the length of the means in which the supply is looked at, s. */
const CALM = 0.00025;

const supplyRecovery: Characteristic = {
  ...supplyMinimum,
  id: 'supply-recovery',
  name: 'recovery of the supply',
  definition:
    'Time from the edge of the largest steps, averaged, until means of the supply voltage over 0.5 ms last enter the band around their level in the last fifth of the hold.',
  formula: 'last t at which |U − level| > band · level, counted from the command edge',
  shifts: 'the supply of the stand and its leads rather than the item; the width of the band',
  dimension: 'time',
  unit: 'ms',
  from: ['step'],
  options: RECOVERY_OPTIONS,
  check: 'tests/unit/electrical.test.ts',
  score: (capture, stage, reading) => {
    const found = largestEdges(capture, stage);
    if ('reason' in found) return found;
    const take = capture.takes[0];
    const channels = channelsOf(take, ['supply']);
    if ('reason' in channels) return channels;
    const { supply } = channels;
    const { places, pattern } = found;
    const length = Math.floor((pattern.hold - pattern.edge) * take.rate);
    const half = Math.round(CALM * take.rate);
    const whole = places.filter((place) => Math.ceil(place) + length <= supply.length);
    if (whole.length === 0) return notEvaluated('The take ends before the hold does.');
    const voltage = Float64Array.from({ length: length - 2 * half }, (_, k) => {
      const means = whole.map((place) => {
        const middle = Math.round(place) + half + k;
        return mean(supply, middle - half, middle + half + 1);
      });
      return mean(means);
    });
    const level = mean(voltage, Math.floor(0.8 * voltage.length));
    const band = option(reading.options, RECOVERY_OPTIONS, 'band');
    const settled = settledAt(voltage, { low: 0, high: level }, band);
    if (settled === undefined) {
      return notEvaluated(`The supply does not stay within ±${shown(band * 100)} % of its level.`);
    }
    // A supply that never leaves the band needs no time, not even half a mean.
    const seconds = settled === 0 ? 0 : (settled + half + 0.5) / take.rate;
    return measured(seconds, { repeats: whole.length });
  },
};

const saturationMargin: Characteristic = {
  ...supplyMinimum,
  id: 'saturation-margin',
  name: 'margin to saturation',
  definition:
    'Share of the voltage available to the current loop that it left unused at its busiest moment in any take of the stage, as the device reports it.',
  formula: '1 − max over takes of duty',
  shifts: 'a supply that sags; a hot winding; the size and the slew of the step',
  dimension: 'ratio',
  unit: '%',
  options: {},
  check: 'tests/unit/electrical.test.ts',
  score: (capture) => {
    const duties = capture.takes.flatMap((take) => take.device.duty ?? []);
    if (duties.length < capture.takes.length) {
      return notEvaluated('The device does not report which share of its voltage it used.');
    }
    const odd = duties.find((duty) => !(duty >= 0 && duty <= 1));
    if (odd !== undefined) {
      return notEvaluated(`The device reports a duty of ${shown(odd)}; it must lie from 0 to 1.`);
    }
    return measured(1 - Math.max(...duties));
  },
};

/** Characteristics of the supply. */
export const ELECTRICAL: readonly Characteristic[] = [
  supplyMinimum,
  supplySag,
  supplyRecovery,
  saturationMargin,
];
