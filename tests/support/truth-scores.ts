import { beforeAll, describe, expect, test } from 'vitest';
import type { Outcome, Score } from '../../src/scoring/scoring.js';
import { drawParameters } from '../../src/bench/truth.js';
import type { Performed } from '../../src/run/runner.js';
import {
  type IdealItem,
  type IdealStatic,
  idealBandwidth,
  idealGrain,
  idealLag,
  idealPhaseBandwidth,
  idealPhaseDelay,
  idealRise,
  idealSlew,
  idealStaticGain,
  idealTorque,
  slewLag,
} from './reference.js';
import { type RunDocuments, runItem, shippedDocuments, withStages } from './simulated-run.js';

/** A score beside what was put in, both in base units. */
export interface Compared {
  readonly name: string;
  readonly found: number;
  readonly put: number;
  /** Largest difference allowed, base unit. */
  readonly allowed: number;
}

/** Stages that the compared scores are read off; the first gives the zero, the second the torque constant. */
export const STAGES = [
  'zero',
  'static',
  'steps-0',
  'steps-2',
  'full-step',
  'response',
  'smoothing',
];

/**
 * N·m: four times what 20 mA of sensor noise makes of the lines in 2 s. It counts at setting 5 alone,
 * where grain is 3.5 mN·m and 3 % of it less than the noise; no limit reads it.
 */
const NOISE_OF_GRAIN = 0.35e-3;
/** Scores compared for each serial: nine rows, and lag and grain of six settings. */
const ROWS = 9 + 2 * 6;
const SOURCE = 100; // Hz, of the smoothing sweep
const SINE = 1; // Hz
const AMPLITUDE = 6; // N·m
/** 1/K, of magnets; °C at which a torque constant is stated. */
const MAGNETS = { coefficient: -0.0011, reference: 23 };

const POLE_PAIRS = 10;

/** Commands of the holds that the static gain is read from: the loop 0, +6, 0, −6, 0. */
const HOLDS = [
  ...[1, 2, 3, 4, 5, 4, 3, 2, 1, 0].map((k) => 1.2 * k),
  ...[1, 2, 3, 4, 5, 4, 3, 2, 1, 0].map((k) => -1.2 * k),
];

/** Runs one serial without faults and sets its scores beside the reference. */
export async function compareSerial(
  documents: RunDocuments,
  serial: string,
): Promise<readonly Compared[]> {
  const performed = await runItem(documents, { serial });
  const put = putIn(documents, serial);
  const at = (smoothing: number): IdealItem => ({
    ...put.item,
    smoothing: [0, 400, 200, 100, 50, 25][smoothing] ?? NaN,
  });
  const read = (row: string): number =>
    valueOf(scoreOf(performed, row).outcome, `${serial} ${row}`);
  const row = (name: string, value: number, allowed: number): Compared => ({
    name,
    found: read(name),
    put: value,
    allowed,
  });
  const share = (name: string, value: number, part: number): Compared =>
    row(name, value, part * Math.abs(value));
  const points = sweepOf(scoreOf(performed, 'smoothing.lag').outcome);
  return [
    row('steps-0.dead-time', put.item.deadTime, 10e-6),
    share('steps-0.rise-time', idealRise(at(0), 3), 0.02),
    share('steps-2.rise-time', idealRise(at(2), 3), 0.02),
    share('full-step.slew-rate', put.scale * idealSlew(at(0), 24), 0.01),
    share('static.static-gain', idealStaticGain(put.static, HOLDS), 0.001),
    share('response.bandwidth', idealBandwidth(at(2)), 0.02),
    share('response.phase-bandwidth', idealPhaseBandwidth(at(2)), 0.02),
    row('smoothing.lag', idealLag(at(2)), 10e-6),
    share('smoothing.grain', put.scale * idealGrain(at(2), AMPLITUDE, SINE, SOURCE), 0.03),
    ...points.flatMap(({ setting, lag, grain }): readonly Compared[] => {
      const item = at(setting);
      const rough = put.scale * idealGrain(item, AMPLITUDE, SINE, SOURCE);
      return [
        {
          name: `lag at setting ${setting}`,
          found: lag,
          put: idealPhaseDelay(item, SINE) + slewLag(item, AMPLITUDE, SINE, SOURCE),
          allowed: 10e-6,
        },
        {
          name: `grain at setting ${setting}`,
          found: grain,
          put: rough,
          allowed: Math.max(0.03 * rough, NOISE_OF_GRAIN),
        },
      ];
    }),
  ];
}

/**
 * What was drawn for a serial, as the reference takes it.
 *
 * The transducer's own error of gain is part of what was put in: no score on this station can know
 * of it, and the stated uncertainty covers it. Motor-side torque is scaled by the torque constant
 * that the static stage measures with that transducer at 10–60 % of rated torque.
 */
function putIn(
  { station }: RunDocuments,
  serial: string,
): { readonly item: IdealItem; readonly static: IdealStatic; readonly scale: number } {
  const { item, stand } = drawParameters({ station, serial, attempt: 1, faults: [] });
  const { assumedConstant, split, droop, offset } = item;
  const warm = 1 + MAGNETS.coefficient * (stand.ambient - MAGNETS.reference);
  const angle = 2 * POLE_PAIRS * stand.angle + item.commutationAngle;
  const commutation = 1 + item.commutation * Math.cos(angle);
  const torqueConstant = item.torqueConstant * commutation * warm * (1 + stand.torqueGain);
  const held = { torqueConstant, assumedConstant, split, droop, offset };
  const around = idealTorque(held, 2.4) - idealTorque(held, -2.4); // middle of 10–60 %
  return {
    item: {
      deadTime: item.deadTime,
      smoothing: 0,
      slew: item.slew,
      loop: 1 / (2 * Math.PI * item.loop.frequency),
    },
    static: held,
    scale: around / 4.8,
  };
}

function scoreOf(performed: Performed, row: string): Score {
  const found = performed.outcomes
    .flatMap((outcome) => outcome.scores)
    .find((score) => `${score.stage}.${score.characteristic}` === row);
  if (found === undefined) throw new Error(`no score ${row}`);
  return found;
}

function valueOf(outcome: Outcome, what: string): number {
  if (outcome.kind === 'measured') return outcome.value;
  throw new Error(`${what}: ${outcome.reason}`);
}

function sweepOf(
  outcome: Outcome,
): readonly { readonly setting: number; readonly lag: number; readonly grain: number }[] {
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'smoothing') {
    throw new Error('the lag carries no sweep');
  }
  return outcome.evidence.points;
}

/** Runs serials `from … to` and compares each. */
export async function compareSerials(from: number, to: number): Promise<readonly Compared[][]> {
  const documents = withStages(shippedDocuments(), STAGES);
  const all: Compared[][] = [];
  for (let i = from; i <= to; i++) {
    const serial = `H12-26-${String(i).padStart(5, '0')}`;
    all.push([...(await compareSerial(documents, serial))]);
  }
  return all;
}

/** Bias, spread and worst of one score over serials, in shares of what is allowed. */
export interface Summary {
  readonly name: string;
  readonly median: number;
  readonly deviation: number;
  readonly worst: number;
}

export function summarize(all: readonly (readonly Compared[])[]): readonly Summary[] {
  return (all[0] ?? []).map(({ name }, i) => {
    const errors = all.map((rows) => {
      const row = rows[i] as Compared;
      return (row.found - row.put) / row.allowed;
    });
    const sorted = [...errors].sort((a, b) => a - b);
    const mean = errors.reduce((a, b) => a + b, 0) / errors.length;
    const squares = errors.reduce((a, e) => a + (e - mean) ** 2, 0);
    return {
      name,
      median: sorted[Math.floor(sorted.length / 2)] as number,
      deviation: Math.sqrt(squares / (errors.length - 1)),
      worst: errors.reduce((a, e) => (Math.abs(e) > Math.abs(a) ? e : a), 0),
    };
  });
}

/** A table for people: what each score is off by, in percent of what is allowed. */
export function table(all: readonly (readonly Compared[])[]): string {
  const lines = summarize(all).map(({ name, median, deviation, worst }, i) => {
    const { allowed } = all[0]?.[i] as Compared;
    const share = (v: number): string => `${(100 * v).toFixed(1).padStart(7)} %`;
    return `${name.padEnd(26)}${allowed.toPrecision(3).padStart(10)}${share(median)}${share(deviation)}${share(worst)}`;
  });
  const head = `${'score'.padEnd(26)}${'allowed'.padStart(10)}${'bias'.padStart(9)}${'sd'.padStart(9)}${'worst'.padStart(9)}`;
  return [head, ...lines].join('\n');
}

/** The tests of one file; two files share the serials so that two workers share the time. */
export function truthTests(from: number, to: number): void {
  describe(`scores of serials ${from} to ${to}, noise on, beside what was put in`, () => {
    let all: readonly (readonly Compared[])[] = [];
    beforeAll(async () => {
      all = await compareSerials(from, to);
      console.log(table(all));
    });

    test('every score of every serial is near enough', () => {
      const far = all.flatMap((rows, i) =>
        rows
          .filter(({ found, put, allowed }) => !(Math.abs(found - put) <= allowed))
          .map((row) => ({ serial: from + i, ...row })),
      );
      expect(all).toHaveLength(to - from + 1);
      expect(all.every((rows) => rows.length === ROWS)).toBe(true);
      expect(far).toEqual([]);
    });

    test('the median is off by no more than three quarters of that', () => {
      for (const { name, median } of summarize(all)) {
        expect(Math.abs(median), name).toBeLessThan(0.75);
      }
    });
  });
}
