import { PATTERN_KINDS } from '../procedure/procedure.js';
import { leastMovingMean } from './heat.js';
import { measured, notEvaluated, option } from './reading.js';
import type { Characteristic } from './scoring.js';

const SUPPLY_OPTIONS = { window: { dimension: 'time', default: 0.001 } } as const;

const supplyMinimum: Characteristic = {
  id: 'supply-minimum',
  name: 'lowest supply voltage',
  definition:
    'Least mean of the supply voltage over 1 ms in any take of the stage, so that single noisy samples do not count.',
  dimension: 'voltage',
  unit: 'V',
  side: 'electrical',
  from: PATTERN_KINDS,
  power: 'on',
  takes: 1,
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

const missingUpdates: Characteristic = {
  id: 'missing-updates',
  name: 'missing updates',
  definition:
    'Number of command updates that were due and did not arrive, as the device counted them over all takes of the stage.',
  dimension: 'count',
  unit: 'count',
  side: 'link',
  from: PATTERN_KINDS,
  power: 'on',
  takes: 1,
  options: {},
  source: 'common practice, no source',
  check: 'tests/unit/heat.test.ts',
  score: (capture) => measured(capture.takes.reduce((sum, take) => sum + take.device.missing, 0)),
};

/** Characteristics of the supply and of the link. */
export const ELECTRICAL: readonly Characteristic[] = [supplyMinimum, missingUpdates];
