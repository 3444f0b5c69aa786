import { expect, test } from 'vitest';
import { checkStages } from '../../src/run/plan.js';
import { CHARACTERISTICS, GATES } from '../../src/scoring/catalogue.js';
import { averaged, repeatsOf, worstGates } from '../../src/scoring/repeats.js';
import type { Outcome, Score } from '../../src/scoring/scoring.js';
import type { Stage } from '../../src/procedure/procedure.js';
import {
  runItem,
  shippedDocuments,
  withStages,
  type RunDocuments,
} from '../support/simulated-run.js';
import { gateAs } from '../support/stand.js';

const shipped = shippedDocuments();

const scored = (outcome: Outcome): readonly Score[] => [
  { stage: 'steps', characteristic: 'rise-time', side: 'motor', outcome },
];
const value = (v: number): Outcome => ({ kind: 'measured', value: v, spread: 9, repeats: 7 });

test('three times: the mean, the deviation with n − 1, and every value in order', () => {
  const [score] = averaged([scored(value(1)), scored(value(2)), scored(value(6))]);
  // mean 3; squares 4 + 1 + 9 = 14; 14 / 2 = 7
  expect(score?.outcome).toEqual({
    kind: 'measured',
    value: 3,
    spread: Math.sqrt(7),
    repeats: 3,
    values: [1, 2, 6],
  });
});

test('once: the score as it was read', () => {
  const once = scored(value(1));
  expect(averaged([once])).toBe(once);
});

test('a value missing once is missing: no mean of the better ones', () => {
  const missing: Outcome = { kind: 'not-evaluated', reason: 'no edge was found' };
  const [score] = averaged([scored(value(1)), scored(missing), scored(value(2))]);
  expect(score?.outcome).toEqual({
    kind: 'not-evaluated',
    reason: 'time 2 of 3: no edge was found',
  });
});

test('a bound among the values makes their mean a bound', () => {
  const bound: Outcome = { kind: 'measured', value: 4, bound: 'at-least' };
  const [score] = averaged([scored(value(2)), scored(bound)]);
  expect(score?.outcome).toMatchObject({ value: 3, bound: 'at-least' });
});

test('of each gate the worst time counts: not holding before a small margin', () => {
  const hum = (holds: boolean, observed: number, margin: number): ReturnType<typeof gateAs> =>
    gateAs({
      name: 'hum',
      scope: 'idle',
      holds,
      observed,
      allowed: 3,
      unit: 'mN·m',
      margin,
      blames: 'stand',
      evidence: 'hum',
    });
  expect(worstGates([[hum(true, 1, 0.6)], [hum(false, 4, -0.3)], [hum(true, 2, 0.3)]])).toEqual([
    hum(false, 4, -0.3),
  ]);
  expect(worstGates([[hum(true, 1, 0.6)], [hum(true, 2, 0.3)]])).toEqual([hum(true, 2, 0.3)]);
});

function repeated(documents: RunDocuments, id: string, repeats: number): RunDocuments {
  const { procedure } = documents;
  const [first, ...others] = procedure.stages.map((stage): Stage =>
    stage.id === id ? { ...stage, repeats } : stage,
  );
  if (first === undefined) throw new Error('no stage');
  return { ...documents, procedure: { ...procedure, stages: [first, ...others] } };
}

test('a stage that is repeated is played so often, each time captured and kept for itself', async () => {
  const stages = withStages(shipped, ['zero', 'steps-0']);
  const run = async (repeats: number): Promise<Score | undefined> => {
    const { outcomes } = await runItem(repeated(stages, 'steps-0', repeats), {
      serial: 'H12-26-00017',
    });
    return outcomes[1]?.scores.find(({ characteristic }) => characteristic === 'rise-time');
  };
  const score = await run(4);
  if (score?.outcome.kind !== 'measured') throw new Error('no rise time');
  const { values = [], value: mean, repeats } = score.outcome;
  expect([values.length, repeats]).toEqual([4, 4]);
  expect(new Set(values).size).toBe(4); // each time was captured for itself
  expect(mean).toBeCloseTo(values.reduce((sum, v) => sum + v, 0) / 4, 15);
});

test('takes that do not make whole repeats are our defect', () => {
  const [stage] = shipped.procedure.stages;
  const capture = { stage: stage.id, takes: [] } as unknown as Parameters<typeof repeatsOf>[0];
  expect(() => repeatsOf(capture, { ...stage, repeats: 2 })).toThrow(/0 takes of "zero", not 2/u);
});

test('a gate that forbids more torque is not judged after four times as much of it', () => {
  const documents = repeated(withStages(shipped, ['zero', 'polarity']), 'polarity', 4);
  const problems = checkStages(documents, { characteristics: CHARACTERISTICS, gates: GATES });
  expect(problems.map(({ what }) => what)).toContain(
    'Stage "polarity" is played 4 times, but its gate "polarity" must be judged before more torque is applied.',
  );
});
