import { expect, test } from 'vitest';
import { incrementsOf, RESOLUTION, standsOut } from '../../src/scoring/resolution.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import {
  hold,
  type Making,
  reasonOf,
  scoreIn,
  steps,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function score(making: Making, options: Readonly<Record<string, number>> = {}): Outcome {
  const { pattern } = making;
  return scoreIn(RESOLUTION, 'torque-resolution', { pattern, takes: [takeOf(making)], options });
}

/** Increments of 1, 2, 5, 10 mN·m from zero and back, each four times. */
const ladder = steps([0, 0.001, 0, 0.002, 0, 0.005, 0, 0.01, 0], 0.25, 4);
/** What is held at a time in s, N·m. */
const held = (t: number): number => ladder.levels[Math.floor(t / 0.25 + 1e-9) % 9] ?? 0;
const coarse =
  (digit: number) =>
  (t: number): number =>
    Math.round(held(t) / digit) * digit;

for (const [digit, finest] of [
  [1e-6, 0.001],
  [0.003, 0.002],
  [0.009, 0.005],
  [0.019, 0.01],
] as const) {
  test(`an item that knows steps of ${digit * 1000} mN·m answers ${finest * 1000} mN·m and more`, () => {
    const outcome = score({ pattern: ladder, shaft: coarse(digit), torqueNoise: 0.002 });
    expect(valueOf(outcome)).toBe(finest);
    expect(outcome.kind === 'measured' && outcome.repeats).toBe(4);
  });
}

test('a drift twenty times as fast as that of a cold amplifier cancels', () => {
  const drift = 40e-3 / 60; // N·m/s
  const shaft = (t: number): number => held(t) + drift * t;
  expect(valueOf(score({ pattern: ladder, shaft, torqueNoise: 0.002 }))).toBe(0.001);
  const still = (t: number): number => drift * t;
  expect(reasonOf(score({ pattern: ladder, shaft: still, torqueNoise: 0.002 }))).toContain('10 mN');
});

test('increments against both neighbours: signs along the increment, sizes together', () => {
  const found = incrementsOf(steps([1, 1.5, 1, 0.5, 1], 1).levels, [10, 16, 11, 4, 12]);
  expect(found).toEqual([{ size: 0.5, changes: [5.5, 7.5] }]);
  expect(incrementsOf(steps([0, 1, 2], 1).levels, [0, 1, 2])).toEqual([]);
});

test("Student's t decides: 4 changes of mean 1 stand out at 95 % up to s = 2/3.182", () => {
  const around = (s: number): number[] => [-1, -1, 1, 1].map((d) => 1 + d * s * Math.sqrt(3 / 4));
  expect(standsOut(around(0.628), 0.95)).toBe(true);
  expect(standsOut(around(0.63), 0.95)).toBe(false);
  expect(standsOut([-1, -1.1, -0.9], 0.95)).toBe(false);
});

test('odd stages give reasons: no steps, no way back, too few visits, a coverage of 100 %', () => {
  expect(reasonOf(score({ pattern: hold(1, 1) }))).toContain('no step pattern');
  expect(reasonOf(score({ pattern: steps([0, 1, 2, 3], 0.3) }))).toContain('between two holds');
  expect(reasonOf(score({ pattern: steps([0, 1, 0], 0.3, 2) }))).toContain('3 visits');
  expect(reasonOf(score({ pattern: ladder }, { coverage: 1 }))).toContain('100 %');
});
