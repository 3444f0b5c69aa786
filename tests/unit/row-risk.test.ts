import { expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import { globalRisks, specificRisk } from '../../src/decision/risk.js';
import { acceptanceLimits, rowRisk, widthOf } from '../../src/decision/row-risk.js';
import { acceptanceZone, decide } from '../../src/decision/rule.js';
import { DECISION_RULES, type Limit, type Tolerance } from '../../src/procedure/limits.js';
import { expandedFor } from '../../src/scoring/budget.js';
import { budgetOf } from '../support/budget.js';

const between = { kind: 'between', lower: 2, upper: 3 } as const;
const atMost = { kind: 'at-most', upper: 8 } as const;
const atLeast = { kind: 'at-least', lower: 45 } as const;

function limit(over: Partial<Limit>): Limit {
  return {
    stage: 'steps',
    characteristic: 'rise-time',
    tolerance: between,
    unit: unitOf('1'),
    rule: 'guarded',
    label: 'x',
    where: { file: 'x', line: 1, column: 1 },
    ...over,
  };
}

function ends(tolerance: Tolerance | undefined): readonly number[] {
  if (tolerance === undefined) throw new Error('something is left to accept');
  return [
    ...(tolerance.kind === 'at-most' ? [] : [tolerance.lower]),
    ...(tolerance.kind === 'at-least' ? [] : [tolerance.upper]),
  ];
}

const fixed = budgetOf(0, 0.2);

for (const rule of DECISION_RULES) {
  for (const tolerance of [between, atMost, atLeast]) {
    test(`${rule}, ${tolerance.kind}: with a U of its own the limits are those of the rule`, () => {
      const limits = acceptanceLimits(tolerance, fixed, rule);
      const zone = acceptanceZone(tolerance, 0.2, rule);
      expect(ends(limits)).toHaveLength(ends(zone).length);
      ends(zone).forEach((want, i) => {
        expect(ends(limits)[i]).toBeCloseTo(want, 12);
      });
    });

    test(`${rule}, ${tolerance.kind}: a U that grows with the value is met where it decides`, () => {
      const stated = budgetOf(0.01, 0.1);
      const limits = acceptanceLimits(tolerance, stated, rule);
      if (limits === undefined) throw new Error('something is left to accept');
      const verdictAt = (value: number): string =>
        decide(value, expandedFor(value, stated), tolerance, rule).outcome;
      const step = 1e-9;
      if (limits.kind !== 'at-most') {
        expect(verdictAt(limits.lower + step)).toBe('conforming');
        expect(verdictAt(limits.lower - step)).not.toBe('conforming');
      }
      if (limits.kind !== 'at-least') {
        expect(verdictAt(limits.upper - step)).toBe('conforming');
        expect(verdictAt(limits.upper + step)).not.toBe('conforming');
      }
    });
  }
}

/** Risk at an acceptance limit by the normal tail beyond w / u, Python: 0.5 * erfc(w / u / sqrt 2). */
const AT_LIMIT: readonly (readonly [Limit['rule'], readonly number[]])[] = [
  ['simple', [0.5]],
  ['guarded', [0.0227501319481792]],
  ['guarded-one-sided', [0.0494714680336481]],
  ['four-way', [0.0227501319481792, 0.5]],
  ['guarded-rejection', [0.977249868051821]],
];

for (const [rule, want] of AT_LIMIT) {
  test(`${rule}: a value on an acceptance limit carries the risk ${want.join(' and ')}`, () => {
    for (const tolerance of [between, atMost, atLeast]) {
      const found = rowRisk(limit({ rule, tolerance }), fixed).acceptances;
      expect(found).toHaveLength(want.length);
      // The far end of 2 … 3 lies 10 standard uncertainties away: 8e-24.
      found.forEach(({ atLimit }, i) => {
        expect(Math.abs((atLimit ?? NaN) - (want[i] ?? NaN))).toBeLessThan(1e-12);
      });
    }
  });
}

test('the process is drawn against the limits of the rule, once also on condition', () => {
  const process = { mean: 2.8, deviation: 0.15 };
  const { acceptances } = rowRisk(limit({ rule: 'four-way', process }), fixed);
  const given = { ...process, uncertainty: 0.1 };
  const zones = [{ kind: 'between', lower: 2.2, upper: 2.8 }, between] as const;
  zones.forEach((zone, i) => {
    const { falseAccept, falseReject } = globalRisks(given, between, zone);
    expect(acceptances[i]?.drawn?.falseAccept).toBeCloseTo(falseAccept, 10);
    expect(acceptances[i]?.drawn?.falseReject).toBeCloseTo(falseReject, 10);
  });
  expect(acceptances.map(({ condition }) => condition)).toEqual(['without', 'also on condition']);
});

test('nothing is reckoned from what is not stated', () => {
  const bare = rowRisk(limit({ rule: 'simple' }), undefined);
  expect(bare).toMatchObject({ expanded: undefined, k: undefined, share: undefined });
  expect(bare.acceptances).toEqual([
    { condition: 'without', accepted: between, atLimit: undefined, drawn: undefined },
  ]);
  const [guarded] = rowRisk(limit({}), undefined).acceptances;
  expect(guarded).toMatchObject({ accepted: undefined, atLimit: undefined });
  const [noProcess] = rowRisk(limit({}), fixed).acceptances;
  expect(noProcess?.drawn).toBeUndefined();
});

test('without uncertainty nothing is decided wrongly', () => {
  const process = { mean: 2.8, deviation: 0.15 };
  const [exact] = rowRisk(limit({ process }), budgetOf(0, 0)).acceptances;
  expect(exact).toMatchObject({ atLimit: 0, drawn: { falseAccept: 0, falseReject: 0 } });
});

test('U is told at the limit where it is greatest, and against the width', () => {
  const stated = budgetOf(0.1, 0.05);
  const told = rowRisk(limit({ rule: 'simple' }), stated);
  expect(told.expanded).toBeCloseTo(0.35, 12);
  expect(told.share).toBeCloseTo(0.35, 12);
  expect(told.acceptances[0]?.atLimit).toBeGreaterThanOrEqual(specificRisk(3, 0.175, between));
});

const WIDTHS: readonly (readonly [Tolerance, number | undefined])[] = [
  [between, 1],
  [atMost, 8],
  [{ kind: 'at-most', upper: 0 }, undefined],
  [atLeast, undefined],
];

for (const [tolerance, width] of WIDTHS) {
  test(`${JSON.stringify(tolerance)} is ${String(width)} wide`, () => {
    expect(widthOf(tolerance)).toBe(width);
  });
}

test('a guard band that leaves nothing gives no acceptance limits and no risk', () => {
  const [none] = rowRisk(limit({}), budgetOf(0, 0.5)).acceptances;
  expect(none).toMatchObject({ accepted: undefined, atLimit: undefined, drawn: undefined });
});

test('a U from few degrees of freedom is told with its factor', () => {
  const told = rowRisk(limit({ rule: 'simple' }), budgetOf(0, 0.2, 4));
  expect(told.k).toBe(2.87); // Table G.2 of JCGM 100 for 95.45 %
  expect(told.expanded).toBeCloseTo(0.287, 12);
});
