import { expect, test } from 'vitest';
import {
  capabilityIndex,
  conformanceProbability,
  globalRisks,
  guardBandMultiplier,
  normalCdf,
  specificRisk,
} from '../../src/decision/risk.js';

// 0.5 * math.erfc(z / math.sqrt(2)), Python 3.11.7, C library.
const tails: readonly (readonly [z: number, tail: number])[] = [
  [0.5, 0.3085375387259869],
  [1, 0.15865525393145707],
  [2.5, 0.006209665325776139],
  [2.83, 0.0023274002067315545],
  [4, 3.1671241833119965e-5],
  [6, 9.865876450377012e-10],
  [8, 6.220960574271819e-16],
  [10, 7.619853024160593e-24],
  [20, 2.7536241186063314e-89],
  [37, 5.725571222525139e-300],
];

for (const [z, tail] of tails) {
  test(`normal tail beyond ${z} keeps twelve digits`, () => {
    expect(Math.abs(normalCdf(-z) / tail - 1)).toBeLessThan(1e-12);
    expect(Math.abs(normalCdf(z) - (1 - tail))).toBeLessThan(1e-15);
  });
}

test('the normal distribution function ends at 0 and 1 and does not hide NaN', () => {
  expect(normalCdf(-Infinity)).toBe(0);
  expect(normalCdf(Infinity)).toBe(1);
  expect(normalCdf(0)).toBe(0.5);
  expect(normalCdf(NaN)).toBeNaN();
});

test('without uncertainty the risk is all or nothing, and a limit belongs to the tolerance', () => {
  const zone = { kind: 'between', lower: 2, upper: 3 } as const;
  for (const [value, risk] of [
    [1.9, 1],
    [2, 0],
    [2.5, 0],
    [3, 0],
    [3.1, 1],
  ] as const) {
    expect(specificRisk(value, 0, zone)).toBe(risk);
    expect(conformanceProbability(value, 0, zone)).toBe(1 - risk);
  }
  for (const u of [-0.1, NaN]) expect(() => specificRisk(2.5, u, zone)).toThrow('0 or more');
});

test('probability and risk add to 1 for each kind of tolerance', () => {
  for (const zone of [
    { kind: 'between', lower: 2, upper: 3 },
    { kind: 'at-least', lower: 2 },
    { kind: 'at-most', upper: 3 },
  ] as const) {
    for (const value of [1, 2, 2.7, 3.2]) {
      const sum = conformanceProbability(value, 0.3, zone) + specificRisk(value, 0.3, zone);
      expect(Math.abs(sum - 1)).toBeLessThan(1e-15);
    }
  }
});

test('a guard band multiplier undoes the distribution function', () => {
  for (const z of [-5, -1, 0, 0.5, 1.6448536269514722, 3]) {
    expect(Math.abs(guardBandMultiplier(normalCdf(z)) - z)).toBeLessThan(1e-9);
  }
  for (const p of [0, 1, -0.1, 1.1, NaN]) expect(() => guardBandMultiplier(p)).toThrow('between');
});

test('global risks shrink with the uncertainty and refuse none at all', () => {
  const zone = { kind: 'at-most', upper: 2 } as const;
  const risk = (uncertainty: number): number =>
    globalRisks({ mean: 0, deviation: 1, uncertainty }, zone, zone).falseAccept;
  expect(risk(0.3)).toBeGreaterThan(risk(0.1));
  expect(risk(0.1)).toBeGreaterThan(risk(0.01));
  expect(risk(0.01)).toBeGreaterThan(0);
  expect(() => risk(0)).toThrow('above 0');
});

test('a tolerance 0.8 ms wide with U = 0.06 ms has a capability index of 6.67', () => {
  const zone = { kind: 'between', lower: 2.3, upper: 3.1 } as const;
  expect(capabilityIndex(zone, 0.06)).toBeCloseTo(6.6667, 4);
});
