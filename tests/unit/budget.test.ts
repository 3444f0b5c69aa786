import { expect, test } from 'vitest';
import type { Budget, Component } from '../../src/procedure/budget.js';
import { budgetTable, expandedFor, factorFor } from '../../src/scoring/budget.js';

function component(over: Partial<Component>): Component {
  return {
    name: 'one',
    what: 'one',
    origin: { kind: 'judgement' },
    relative: 0,
    absolute: 0,
    distribution: { kind: 'normal', k: 2 },
    sensitivity: 1,
    freedom: Infinity,
    ...over,
  };
}

function budgetWith(first: Partial<Component>, ...more: readonly Partial<Component>[]): Budget {
  return {
    version: 1,
    date: '2026-01-01',
    components: [component(first), ...more.map(component)],
    where: { file: 'x.yaml', line: 1, column: 1 },
  };
}

const ALONE: readonly {
  readonly name: string;
  readonly of: Partial<Component>;
  readonly value: number;
  readonly u: number;
}[] = [
  { name: 'U with k = 2 is halved', of: { absolute: 0.008 }, value: 6, u: 0.004 },
  {
    name: 'k = 1 is as it is',
    of: { absolute: 0.008, distribution: { kind: 'normal', k: 1 } },
    value: 6,
    u: 0.008,
  },
  { name: 'a share counts of the magnitude', of: { relative: 0.003 }, value: -6, u: 0.009 },
  {
    name: 'share and absolute of one component add',
    of: { relative: 0.02, absolute: 2 },
    value: 100,
    u: 2,
  },
  {
    name: 'half width 3, rectangular',
    of: { absolute: 3, distribution: { kind: 'rectangular' } },
    value: 0,
    u: Math.sqrt(3),
  },
  {
    name: 'half width 6, triangular',
    of: { absolute: 6, distribution: { kind: 'triangular' } },
    value: 0,
    u: Math.sqrt(6),
  },
  {
    name: 'half width 2, arcsine',
    of: { absolute: 2, distribution: { kind: 'arcsine' } },
    value: 0,
    u: Math.SQRT2,
  },
  {
    name: 'a negative sensitivity counts by its size',
    of: { absolute: 0.008, sensitivity: -0.25 },
    value: 0,
    u: 0.001,
  },
];

for (const { name, of, value, u } of ALONE) {
  test(`${name}: u = ${u.toPrecision(4)}, U = 2 u`, () => {
    const table = budgetTable(value, budgetWith(of));
    expect(table.standard).toBeCloseTo(u, 14);
    expect(table.lines[0].contribution).toBeCloseTo(u, 14);
    expect(table.freedom).toBe(Infinity);
    expect(table.k).toBe(2);
    expect(table.expanded).toBe(2 * table.standard);
    expect(expandedFor(value, budgetWith(of))).toBe(table.expanded);
  });
}

test('U = 0.30 % of the value and 8 mN·m in one component: 26 mN·m at either 6 N·m, 8 mN·m at 0', () => {
  const stated = budgetWith({ relative: 0.003, absolute: 0.008 });
  expect(expandedFor(6, stated)).toBeCloseTo(0.026, 12);
  expect(expandedFor(-6, stated)).toBeCloseTo(0.026, 12);
  expect(expandedFor(0, stated)).toBe(0.008);
});

test('components of 3 and 4 combine to 5, with 36 % and 64 % of the variance', () => {
  const table = budgetTable(0, budgetWith({ absolute: 6 }, { absolute: 8 }));
  expect(table.standard).toBeCloseTo(5, 14);
  expect(table.lines.map(({ share }) => Number(share.toFixed(12)))).toEqual([0.36, 0.64]);
});

const known = budgetWith(
  { absolute: 0.04 },
  {
    name: 'scatter',
    origin: { kind: 'repeats' },
    absolute: 0.5,
    distribution: { kind: 'normal', k: 1 },
    freedom: 9,
  },
);

test('the repeats of a run take the place of the scatter known before: 0.06/√9 with 8 degrees of freedom', () => {
  const table = budgetTable(1, known, { spread: 0.06, repeats: 9 });
  expect(table.lines).toHaveLength(2);
  expect(table.lines[1]).toMatchObject({ freedom: 8, c: 1 });
  expect(table.lines[1]?.contribution).toBeCloseTo(0.02, 14);
  expect(table.standard).toBeCloseTo(Math.hypot(0.02, 0.02), 14);
  expect(table.freedom).toBeCloseTo(32, 10); // (2·0.02²)² / (0.02⁴/8)
  expect(table.k).toBe(2.08); // 2.0812 by scipy.stats.t.ppf(0.97725, 32)
});

test('the repeats of a run count where the budget has no scatter of its own', () => {
  const table = budgetTable(1, budgetWith({ absolute: 0.04 }), { spread: 0.06, repeats: 9 });
  expect(table.standard).toBeCloseTo(Math.hypot(0.02, 0.02), 14);
});

for (const run of [{}, { repeats: 9 }, { spread: 0.06 }, { spread: 0.06, repeats: 1 }]) {
  test(`without two repeats the scatter known before counts: ${JSON.stringify(run)}`, () => {
    const table = budgetTable(1, known, run);
    expect(table.standard).toBeCloseTo(Math.hypot(0.02, 0.5), 14);
    expect(table.lines[1]?.freedom).toBe(9);
  });
}

test('degrees of freedom are cut to a whole number, and one that a root left just below it is that number', () => {
  expect(factorFor(4)).toBe(2.87);
  expect(factorFor(4 - 1e-14)).toBe(2.87);
  expect(factorFor(4.999)).toBe(2.87);
  expect(factorFor(1)).toBe(13.97);
  expect(factorFor(1000)).toBe(2);
});

test('a budget that comes to nothing has U = 0, and a value that is no number has none', () => {
  const nothing = budgetTable(0, budgetWith({ relative: 0.01 }));
  expect([nothing.standard, nothing.expanded, nothing.k]).toEqual([0, 0, 2]);
  expect(nothing.lines[0].share).toBe(0);
  for (const value of [NaN, Infinity]) {
    expect(expandedFor(value, budgetWith({ relative: 0.01, freedom: 4 }))).toBeNaN();
  }
});
