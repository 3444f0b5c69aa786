import { expect, test } from 'vitest';
import { ELECTRICAL } from '../../src/scoring/electrical.js';
import { HEAT, leastMovingMean } from '../../src/scoring/heat.js';
import type { Context, Outcome } from '../../src/scoring/scoring.js';
import {
  captureOf,
  context,
  hold,
  type Making,
  normalFrom,
  reasonOf,
  scoreIn,
  stageOf,
  steps,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function score(id: string, making: Making, given: Context = context): Outcome {
  const { pattern } = making;
  return scoreIn([...HEAT, ...ELECTRICAL], id, { pattern, takes: [takeOf(making)], given });
}

for (const sign of [1, -1]) {
  test(`peak torque of a ${sign * 12} N·m hold is its least 0.1 s mean, in the direction of the command`, () => {
    const pattern = hold(sign * 12, 3);
    // 11.4 N·m for 0.2 s from 2 s on; the slow start before 0.5 s does not count.
    const shaft = (t: number): number =>
      sign * (t < 0.4 ? 30 * t : t > 2 && t < 2.2 ? 11.4 : 11.8) + 0.05;
    const outcome = score(
      'peak-torque',
      { pattern, shaft, torqueNoise: 0.002 },
      { ...context, zero: 0.05 },
    );
    expect(valueOf(outcome)).toBeCloseTo(11.4, 3);
  });
}

test('a spike of one sample is no peak torque', () => {
  const shaft = (t: number): number => (Math.abs(t - 1) < 5e-5 ? 0 : 12);
  const making = { pattern: hold(12, 2), shaft };
  expect(valueOf(score('peak-torque', making))).toBeGreaterThan(11.98);
});

test('thermal fade of 1.2 % over 30 s, and none to be read off less than 3 s', () => {
  const shaft = (t: number): number => 6 * (1 - 0.012 * ((t - 1.5) / 8));
  const fade = valueOf(score('thermal-fade', { pattern: hold(6, 10), shaft, torqueNoise: 0.002 }));
  expect(fade).toBeCloseTo(0.012, 4);
  expect(reasonOf(score('thermal-fade', { pattern: hold(6, 2), shaft }))).toContain('3 s');
  expect(reasonOf(score('thermal-fade', { pattern: hold(6, 4) }))).toContain('0 N·m');
});

test('winding rise: 20 K over a hold of 10 s, less what half a second at either end takes', () => {
  const making = { pattern: hold(6, 10), winding: (t: number) => 23 + 2 * t };
  expect(valueOf(score('winding-rise', making))).toBeCloseTo(19, 3);
});

test('the supply minimum follows a sag of 2 ms, not single noisy samples', () => {
  const normal = normalFrom(3);
  const supply = (t: number): number => (t > 0.5 && t < 0.502 ? 44 : 48) + 0.2 * normal();
  const pattern = steps([-12, 12], 0.5);
  const value = valueOf(score('supply-minimum', { pattern, supply }));
  expect(Math.abs(value - 44)).toBeLessThan(0.1);
  const calm = valueOf(score('supply-minimum', { pattern, supply: () => 48 + 0.4 * normal() }));
  expect(calm).toBeGreaterThan(47.7); // single samples of 0.2 V rms would reach 47.2 V
});

test('the least moving mean by running sums is that of every window', () => {
  const x = [3, 1, 4, 1, 5, 9, 2, 6];
  const every = x.slice(0, -2).map((_, i) => ((x[i] ?? 0) + (x[i + 1] ?? 0) + (x[i + 2] ?? 0)) / 3);
  expect(leastMovingMean(x, 3)).toBeCloseTo(Math.min(...every), 12);
  expect(leastMovingMean(x, 9)).toBeNaN();
  expect(leastMovingMean(x, 0)).toBeNaN();
});

test('odd captures give reasons: hold at zero, no channels, too short', () => {
  const take = takeOf({ pattern: hold(6, 0.3) });
  for (const entry of HEAT) {
    for (const pattern of [hold(0, 1), hold(6, 0.3)]) {
      const stage = stageOf(pattern);
      const [reading] = stage.reads;
      if (reading === undefined) throw new Error('no reading');
      expect(reasonOf(entry.score(captureOf(take), stage, reading, context))).not.toBe('');
      const bare = captureOf({ ...take, channels: {} });
      expect(reasonOf(entry.score(bare, stage, reading, context))).not.toBe('');
    }
  }
});

test('rate of the winding temperature: the slope of the first 5 s, whatever comes after', () => {
  const rise = (t: number): number => 23 + (t < 5 ? 2.3 * t : 11.5 + 0.4 * (t - 5));
  const making = { pattern: hold(12, 10), winding: rise };
  expect(valueOf(score('temperature-rate', making))).toBeCloseTo(2.3, 3);
  const short = score('temperature-rate', { pattern: hold(12, 3), winding: rise });
  expect(reasonOf(short)).toContain('5 s');
});

for (const sign of [1, -1]) {
  test(`a peak of ${sign * 12} N·m that folds back after 3.2 s lasted 3.2 s, within one mean of 20 ms`, () => {
    const shaft = (t: number): number => sign * (t < 0.01 ? 1200 * t : t < 3.21 ? 11.9 : 8);
    const making = { pattern: hold(sign * 12, 5), shaft, torqueNoise: 0.002 };
    expect(Math.abs(valueOf(score('peak-duration', making)) - 3.2)).toBeLessThan(0.02);
  });
}

test('a peak that never folds back lasts as long as its hold; one that is never reached is not evaluated', () => {
  const steady = { pattern: hold(12, 5), shaft: (t: number) => (t < 0.01 ? 1200 * t : 12) };
  expect(valueOf(score('peak-duration', steady))).toBeGreaterThan(4.97);
  expect(valueOf(score('peak-duration', steady))).toBeLessThanOrEqual(5);
  const weak = { pattern: hold(12, 5), shaft: () => 11 };
  expect(reasonOf(score('peak-duration', weak))).toContain('95 % of 12 N·m');
});
