import { expect, test } from 'vitest';
import type { Reading } from '../../src/procedure/procedure.js';
import type { Context, Outcome } from '../../src/scoring/scoring.js';
import { STEADY } from '../../src/scoring/steady.js';
import {
  answering,
  captureOf,
  context,
  hold,
  type Making,
  reasonOf,
  scoreIn,
  stageOf,
  steps,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function score(id: string, making: Making, options = {}, given: Context = context): Outcome {
  const { pattern } = making;
  return scoreIn(STEADY, id, { pattern, takes: [takeOf(making)], options, given });
}

const up = [0, 1.2, 2.4, 3.6, 4.8, 6];
const levels = [
  ...up,
  ...[4.8, 3.6, 2.4, 1.2, 0, -1.2, -2.4, -3.6, -4.8, -6],
  ...[-4.8, -3.6, -2.4, -1.2, 0],
];
const stair = steps([6, -6, ...levels], 0.2);
const noise = { currentNoise: 0.02, torqueNoise: 0.002 };
const options = { conditioning: 2, average: 0.1 };
const GAIN = 0.99;
const exact = answering(stair, (_, change) => change);
const straight: Making = {
  pattern: stair,
  motor: exact,
  shaft: (t) => GAIN * exact(t) + 0.03,
  ...noise,
};

test('static gain of 0.99 is read within 0.01 %, whatever the offset', () => {
  expect(Math.abs(valueOf(score('static-gain', straight, options)) - GAIN)).toBeLessThan(1e-4);
});

test('offset of 30 mN·m is read within 0.2 mN·m, less the unloaded zero, whatever the gain', () => {
  expect(Math.abs(valueOf(score('offset', straight, options)) - 0.03)).toBeLessThan(2e-4);
  const tared = score('offset', straight, options, { ...context, zero: 0.05 });
  expect(Math.abs(valueOf(tared) + 0.02)).toBeLessThan(2e-4);
  expect(reasonOf(score('offset', { pattern: steps([1, 1], 0.2) }))).toContain('An offset needs');
});

test('conditioning levels do not count: a set taken up by the first level is left out', () => {
  const shaft = (t: number): number => GAIN * exact(t) + (t < 0.3 ? 0.5 : 0);
  const conditioned = valueOf(score('static-gain', { ...straight, shaft }, options));
  const naive = valueOf(score('static-gain', { ...straight, shaft }, { average: 0.1 }));
  expect(Math.abs(conditioned - GAIN)).toBeLessThan(1e-4);
  expect(Math.abs(naive - GAIN)).toBeGreaterThan(1e-3);
});

test('linearity of a cubic: its greatest deviation from the least-squares line over full scale', () => {
  const shaft = (t: number): number => exact(t) - 0.001 * exact(t) ** 3;
  // For levels k·1.2, k = −5 … 5: the line through k³ has slope Σk⁴/Σk² = 1958/110 = 17.8.
  const residuals = [0, 1, 2, 3, 4, 5].map((k) => Math.abs(k ** 3 - 17.8 * k) * 1.2 ** 3 * 0.001);
  const want = Math.max(...residuals) / 6;
  expect(valueOf(score('linearity', { ...straight, shaft }, options))).toBeCloseTo(want, 4);
});

test('linearity of a straight item is noise only, and fewer than 11 levels are not judged', () => {
  expect(valueOf(score('linearity', straight, options))).toBeLessThan(1e-4);
  const short = steps([0, 1, 2], 0.2);
  expect(reasonOf(score('linearity', { pattern: short }))).toContain('11 levels');
});

test('symmetry: 1.6 % more on the positive side reads +1.59 %', () => {
  const shaft = (t: number): number => (exact(t) > 0 ? 1.016 : 1) * exact(t) + 0.02;
  const value = valueOf(score('symmetry', { ...straight, shaft }, options));
  expect(value).toBeCloseTo((2 * 0.016) / 2.016, 4);
});

test('torque constant over 10–60 % leaves the saturated levels out', () => {
  const shaft = (t: number): number => exact(t) * (Math.abs(exact(t)) > 4 ? 0.9 : 0.97) + 0.01;
  const value = valueOf(score('torque-constant', { ...straight, shaft }, options));
  expect(value).toBeCloseTo(0.6 * 0.97, 4);
  expect(reasonOf(score('torque-constant', { pattern: steps([0, 0.1], 0.2) }))).toContain(
    '3 holds',
  );
});

const measuredContext: Context = {
  ...context,
  torqueConstant: { value: 0.6, origin: 'measured' },
};

test('droop: 4 % less torque per ampere at peak than at small current', () => {
  const pattern = hold(12, 2);
  const making = { pattern, motor: () => 12, shaft: () => 12 * 0.96, ...noise };
  expect(valueOf(score('torque-constant-droop', making, {}, measuredContext))).toBeCloseTo(0.04, 4);
  expect(reasonOf(score('torque-constant-droop', making))).toContain('measured');
  const limp = { ...making, motor: () => 1 };
  expect(reasonOf(score('torque-constant-droop', limp, {}, measuredContext))).toContain(
    'does not make',
  );
});

test('zero offset is counted from the unloaded zero, after what the first samples still show', () => {
  const pattern = hold(0, 1);
  const making = { pattern, shaft: (t: number) => (t < 0.05 ? 5 : 0.042), torqueNoise: 0.002 };
  const value = valueOf(score('zero-offset', making, {}, { ...context, zero: 0.012 }));
  expect(value).toBeCloseTo(0.03, 4);
  expect(reasonOf(score('zero-offset', { pattern: hold(1, 1) }))).toContain('no zero');
});

test('preload is coupled less uncoupled, and needs both takes', () => {
  const entry = STEADY.find((candidate) => candidate.id === 'preload');
  const stage = stageOf(hold(0, 1), {}, 'off');
  const reading: Reading | undefined = stage.reads[0];
  if (entry === undefined || reading === undefined) throw new Error('no preload');
  const zeroOf = (fixture: 'coupled' | 'uncoupled', level: number): ReturnType<typeof takeOf> =>
    takeOf({ pattern: hold(0, 1), shaft: () => level, settings: { smoothing: 0, fixture } });
  const both = captureOf(zeroOf('uncoupled', 0.01), zeroOf('coupled', -0.07));
  expect(valueOf(entry.score(both, stage, reading, context))).toBeCloseTo(-0.08, 6);
  const one = captureOf(zeroOf('coupled', 0));
  expect(reasonOf(entry.score(one, stage, reading, context))).toContain('uncoupled');
});

test('odd captures give reasons: other pattern, no channel, empty take', () => {
  const take = takeOf({ pattern: hold(0, 0.2) });
  const stage = stageOf(hold(0, 0.2));
  const reading = stage.reads[0];
  if (reading === undefined) throw new Error('no reading');
  const empty = {
    ...take,
    channels: { command: new Float32Array(0), torque: new Float32Array(0) },
  };
  for (const entry of STEADY) {
    for (const of of [stage, stageOf(stair, options)]) {
      expect(
        reasonOf(entry.score(captureOf({ ...take, channels: {} }), of, reading, context)),
      ).not.toBe('');
      expect(reasonOf(entry.score(captureOf(empty), of, reading, measuredContext))).not.toBe('');
    }
  }
});
