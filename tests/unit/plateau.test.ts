import { expect, test } from 'vitest';
import { PLATEAUS, pooledScatter } from '../../src/scoring/plateau.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { STEPS } from '../../src/scoring/steps.js';
import {
  answering,
  captureOf,
  context,
  hold,
  type Making,
  normalFrom,
  reasonOf,
  scoreIn,
  slewed,
  stageOf,
  steps,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function score(id: string, making: Making): Outcome {
  const { pattern } = making;
  return scoreIn([...PLATEAUS, ...STEPS], id, { pattern, takes: [takeOf(making)] });
}

const small = steps([0, 3, 0, -3], 0.06, 5);
const answer = slewed(6000, 0.0002, 0.0006);

for (const error of [-0.02, 0, 0.015]) {
  test(`a current loop that settles ${error * 100} % off is read within 0.05 %`, () => {
    const motor = answering(small, (t, change) => (1 + error) * answer(t, change));
    const outcome = score('steady-state-error', { pattern: small, motor, currentNoise: 0.02 });
    expect(Math.abs(valueOf(outcome) - error)).toBeLessThan(0.0005);
    if (outcome.kind !== 'measured') throw new Error('not measured');
    expect(outcome.repeats).toBe(19);
    expect(outcome.spread).toBeLessThan(0.002);
    expect(outcome.evidence?.kind).toBe('transition');
  });
}

test('a torque that still moves has no steady state', () => {
  const motor = answering(small, (t, change) => -change * Math.expm1(-t / 0.03));
  const outcome = score('steady-state-error', { pattern: small, motor });
  expect(reasonOf(outcome)).toContain('still moves');
});

test('steps that scatter by 3 mN·m are repeatable to 0.1 %; friction that differs by direction is not scatter', () => {
  const normal = normalFrom(5);
  const levels = Array.from({ length: 4 * 40 }, (_, k) => [0, 3, 0, -3][k % 4] ?? 0);
  const pattern = steps([0, 3, 0, -3], 0.06, 40);
  // Friction of 25 mN·m against the last motion, and each level a little off by chance.
  const reached = levels.map((level, k) => {
    const before = levels[k - 1] ?? 0;
    return level - 0.025 * Math.sign(level - before) + 0.003 * normal();
  });
  const shaft = (t: number): number => reached[Math.floor(t / 0.06)] ?? 0;
  const outcome = score('repeatability', { pattern, shaft });
  // A change is the difference of two levels; of 155 degrees of freedom s scatters by 6 %.
  const put = (0.003 * Math.SQRT2) / 2.975;
  expect(Math.abs(valueOf(outcome) / put - 1)).toBeLessThan(0.2);
});

test('scatter is pooled over steps that are alike; groups of one have none', () => {
  const step = (from: number, to: number, change: number) => ({ from, to, change });
  const edges = [step(0, 3, 1), step(0, 3, 3), step(3, 0, 10), step(3, 0, 10), step(0, -3, 7)];
  expect(pooledScatter(edges)).toEqual({ deviation: 1, freedom: 2 });
  expect(pooledScatter([step(0, 3, 1), step(3, 0, 1)])).toBeUndefined();
});

test('a response that first goes the wrong way by 5 % of the change is read within 0.5 %', () => {
  const dip = (t: number): number => Math.exp(-(((t - 0.0015) / 0.0004) ** 2));
  const motor = answering(small, (t, change) => answer(t - 0.002, change) - 0.05 * change * dip(t));
  const outcome = score('undershoot', { pattern: small, motor, currentNoise: 0.02 });
  expect(Math.abs(valueOf(outcome) - 0.05)).toBeLessThan(0.005);
  const good = score('undershoot', {
    pattern: small,
    motor: answering(small, answer),
    currentNoise: 0.02,
  });
  expect(valueOf(good)).toBeLessThan(0.004); // noise alone
});

test('odd stages give reasons: no steps, one step, no channel', () => {
  const take = takeOf({ pattern: small });
  for (const entry of PLATEAUS) {
    expect(reasonOf(score(entry.id, { pattern: hold(1, 1) }))).toContain('no step pattern');
    const stage = stageOf(small);
    const [reading] = stage.reads;
    if (reading === undefined) throw new Error('no reading');
    const bare = captureOf({ ...take, channels: {} });
    expect(reasonOf(entry.score(bare, stage, reading, context))).toContain('no channel');
  }
  const once = steps([0, 3], 0.06);
  const shaft = answering(once, (_, change) => change);
  expect(reasonOf(score('repeatability', { pattern: once, shaft }))).toContain('3 equal steps');
});
