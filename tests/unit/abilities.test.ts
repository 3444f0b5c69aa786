import { expect, test } from 'vitest';
import { radian } from '../../src/base/units.js';
import type { Bench, Ratings } from '../../src/bench/bench.js';
import type { Procedure, Settings } from '../../src/procedure/procedure.js';
import { readinessChecks, readinessProblems } from '../../src/readiness/readiness.js';
import { whyNotPlayed } from '../../src/run/playable.js';
import { NOTHING_ENTERED } from '../support/empty-ledger.js';
import { runItem, shippedDocuments, withStages } from '../support/simulated-run.js';
import { answering } from '../support/answering.js';

const SERIAL = 'H12-26-00017';
const shipped = shippedDocuments();

/** The bench with other ratings; everything else is the simulated one. */
function rated(over: Partial<Ratings>): (bench: Bench) => Bench {
  return (inner) => answering(inner, { ratings: { ...inner.ratings, ...over } });
}

test('where an operator turns the shaft, each angle is asked for by name before its samples are taken', async () => {
  const short = withStages(shipped, ['zero']);
  const [zero] = short.procedure.stages;
  const coupled: Settings = { smoothing: 0, fixture: 'coupled' };
  const takes = [
    { ...coupled, angle: radian(0) },
    { ...coupled, angle: radian((2.75 * Math.PI) / 180) },
  ] as const;
  const procedure: Procedure = {
    ...short.procedure,
    stages: [{ ...zero, takes, reads: [], gates: [] }],
  };
  const asked: string[] = [];
  const { outcomes } = await runItem(
    { ...short, procedure },
    {
      serial: SERIAL,
      alter: rated({ indexing: 'operator' }),
      arrange: (instruction) => {
        asked.push(instruction);
        return Promise.resolve();
      },
    },
  );
  expect(asked).toEqual([
    'Stage "zero": turn the locked shaft to 0° and lock it.',
    'Stage "zero": turn the locked shaft to 2.75° and lock it.',
  ]);
  expect(outcomes).toHaveLength(1);
});

const acoustic = shipped.procedure.stages.filter((stage) => stage.id.startsWith('sound'));

test('without a microphone the stages that only listen are left out, and the others are played', async () => {
  expect(acoustic.length).toBeGreaterThan(0);
  const deaf = { ratings: { channels: ['command', 'current', 'torque', 'supply', 'winding'] } };
  for (const stage of shipped.procedure.stages) {
    const why = whyNotPlayed(stage, deaf.ratings as unknown as Ratings);
    expect(why).toBe(acoustic.includes(stage) ? 'the bench has no microphone' : undefined);
  }
  const station = { ...shipped.station };
  delete (station as { soundRange?: unknown }).soundRange;
  const ids = ['zero', ...acoustic.map((stage) => stage.id)];
  const short = { ...withStages(shipped, ids), station };
  const { outcomes, leftOut } = await runItem(short, { serial: SERIAL });
  expect(outcomes.map((outcome) => outcome.stage)).toEqual(['zero']);
  expect(leftOut.map((out) => out.stage)).toEqual(acoustic.map((stage) => stage.id));
});

const LACKS = [
  { lacks: { indexing: 'none' }, found: 'needs a bench that turns the locked shaft' },
  { lacks: { indexing: 'operator' }, found: 'needs a bench that turns the locked shaft' },
  { lacks: { closedLoop: false }, found: 'needs a bench that closes a loop' },
  { lacks: { fixtures: ['coupled', 'uncoupled'] }, found: 'needs the stand shunt' },
] as const;

for (const { lacks, found } of LACKS) {
  test(`a bench with ${JSON.stringify(lacks)} is not ready for the shipped procedure, and is told why`, () => {
    const { procedure, station } = shipped;
    const ratings = {
      torqueRange: station.torqueRange,
      fixtures: ['coupled', 'uncoupled', 'shunt', 'timing'],
      channels: ['command', 'current', 'torque', 'supply', 'winding', 'sound'],
      indexing: 'bench',
      closedLoop: true,
    };
    const situation = (over: object) => ({
      procedure,
      station,
      ratings: { ...ratings, ...over } as unknown as Ratings,
      interlocks: {
        guard: 'closed',
        emergencyStop: 'released',
        presence: 'released',
        age: 0,
      } as const,
      environment: {
        ...{ ambient: 23, humidity: 0.4, supply: 48, poweredFor: 1e5 },
        adapter: { id: 'AD-12', kind: 'h12-shaft', serial: 'HA-1204' },
      } as never,
      ...NOTHING_ENTERED,
      last: undefined,
      freeBytes: 1e12,
      recordBytes: 1e6,
      now: Date.parse('2026-11-25T10:00:00Z'),
      sealUntil: Date.parse('2027-11-25T10:00:00Z'),
    });
    expect(readinessProblems(readinessChecks(situation({})))).toEqual([]);
    const problems = readinessProblems(readinessChecks(situation(lacks)));
    expect(problems).toHaveLength(1);
    expect(problems[0]?.what).toContain(found);
  });
}
