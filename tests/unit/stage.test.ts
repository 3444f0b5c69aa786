import { expect, test } from 'vitest';
import type { Stage } from '../../src/procedure/procedure.js';
import { advanceContext } from '../../src/scoring/context.js';
import type { Score } from '../../src/scoring/scoring.js';
import { scoreStage } from '../../src/scoring/stage.js';
import {
  answering,
  captureOf,
  context,
  hold,
  stageOf,
  steps,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

const where = { file: 'made', line: 1, column: 1 };
const zero = (
  fixture: 'coupled' | 'uncoupled' | 'shunt',
  level: number,
): ReturnType<typeof takeOf> =>
  takeOf({
    pattern: hold(0, 1),
    shaft: () => level,
    torqueNoise: 0.001,
    settings: { smoothing: 0, fixture },
  });
const zeros = captureOf(zero('uncoupled', 0.01), zero('shunt', 5.01), zero('coupled', -0.04));
const ready: Stage = {
  ...stageOf(hold(0, 1), {}, 'off'),
  id: 'ready',
  reads: [{ characteristic: 'preload', options: {}, where }],
  gates: [
    { gate: 'zero-noise', options: {}, where },
    { gate: 'shunt', options: {}, where },
  ],
};

test('a stage gives its gates and scores in the order written, with its id', () => {
  const { gates, scores } = scoreStage(zeros, ready, context);
  expect(gates.map((gate) => gate.name)).toEqual(['quiet zero', 'shunt check']);
  expect(gates.every((gate) => gate.holds)).toBe(true);
  expect(scores).toMatchObject([{ stage: 'ready', characteristic: 'preload', side: 'shaft' }]);
});

test('zero and preload of the start go on to later stages; a later zero does not replace them', () => {
  const after = scoreStage(zeros, ready, context).context;
  expect(after.zero).toBeCloseTo(0.01, 3);
  expect(after.preload).toBeCloseTo(-0.05, 3);
  const late = captureOf(zero('uncoupled', 0.3), zero('coupled', 0.3));
  const later = scoreStage(late, ready, after).context;
  expect([later.zero, later.preload]).toEqual([after.zero, after.preload]);
});

test('a take with power on is no unloaded zero', () => {
  expect(scoreStage(zeros, { ...ready, power: 'on' }, context).context.zero).toBe(0);
});

test('the torque constant that a stage measured scales the motor side of later ones', () => {
  const pattern = steps([0, 1, 2, 3, 4, 5, 6], 0.2);
  const motor = answering(pattern, (_, change) => change);
  const making = { pattern, motor, shaft: (t: number) => 0.95 * motor(t) };
  const stage: Stage = {
    ...stageOf(pattern),
    reads: [{ characteristic: 'torque-constant', options: { average: 0.1 }, where }],
  };
  const { scores, context: after } = scoreStage(captureOf(takeOf(making)), stage, context);
  const [score] = scores;
  if (score === undefined) throw new Error('no score');
  expect(valueOf(score.outcome)).toBeCloseTo(0.57, 4);
  expect(after.torqueConstant).toEqual({ value: valueOf(score.outcome), origin: 'measured' });
});

test('a torque constant of the wrong sign does not scale what follows', () => {
  const scores: readonly Score[] = [
    {
      stage: 'made',
      characteristic: 'torque-constant',
      side: 'shaft',
      outcome: { kind: 'measured', value: -0.6 },
    },
  ];
  const after = advanceContext(context, stageOf(hold(0, 1)), zeros, scores);
  expect(after.torqueConstant).toEqual({ value: 0.6, origin: 'nominal' });
});

test('unknown names give a reason and a gate that does not hold, not an exception', () => {
  const stage: Stage = {
    ...ready,
    reads: [{ characteristic: 'feel', options: {}, where }],
    gates: [{ gate: 'mood', options: {}, where }],
  };
  const { scores, gates } = scoreStage(zeros, stage, context);
  expect(scores[0]?.outcome.kind).toBe('not-evaluated');
  expect(gates[0]?.holds).toBe(false);
});
