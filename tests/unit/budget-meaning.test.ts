import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { readSensitivity } from '../../src/procedure/budget.js';
import { readStation } from '../../src/procedure/schema.js';
import type { Station } from '../../src/procedure/station.js';
import { budgetTable } from '../../src/scoring/budget.js';

const HEAD = `bench: B-1
kind: simulated
maker: { name: M, address: A }
place: P
nest: 1
range: { torque: 20 N·m, current: 30 A }
sample-rate: 20 kHz
shunt: 5 N·m
instruments:
  - { id: T-1, what: t, serial: s, quantity: torque, range: r, calibrations: [{ certificate: c, laboratory: l, calibrated: 2026-01-01, due: 2027-01-01, uncertainty: u }] }
stand: [{ version: 1, characterized: 2026-01-01T00:00:00Z, resonance: { value: 361 Hz, U: 4 Hz }, damping: { value: 3 %, U: 0.4 % }, compliance: { value: 149.3 µrad/(N·m), U: 3 µrad/(N·m) }, torque-delay: { value: 0.34 ms, U: 0.05 ms }, current-delay: { value: 0 ms, U: 0.02 ms } }]
`;

const BUDGETS = `uncertainty:
  version: 3
  date: 2026-02-01
  components:
    calibration: { what: calibration, from: instrument, of: T-1, relative: 0.15 %, distribution: normal, k: 2 }
    zero: { what: zero, from: judgement, why: estimate, absolute: 8 mN·m, distribution: normal, k: 2 }
    delay: { what: delay, from: stand, of: current-delay }
  groups:
    torque: [calibration, zero]
  budgets:
    preload: [torque]
    static-gain:
      - calibration
      - { use: zero, sensitivity: 10 % per N·m }
      - { what: scatter, from: repeats, absolute: 0.05 %, distribution: normal, k: 1, freedom: 9 }
    lag: [delay, { what: grid, from: resolution, absolute: 0.03 ms, distribution: rectangular }]
`;

const TEXT = HEAD + BUDGETS;
const station = (text = TEXT): Station => readStation(text, 'b.yaml');

function problemsOf(text: string): readonly Problem[] {
  try {
    station(text);
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

test('groups are taken apart, and version and date stand in every budget', () => {
  const { uncertainty } = station();
  const preload = uncertainty.get('preload');
  expect(preload).toMatchObject({ version: 3, date: '2026-02-01' });
  expect(preload?.components.map(({ name }) => name)).toEqual(['calibration', 'zero']);
  expect(preload?.components[0]).toMatchObject({
    origin: { kind: 'instrument', id: 'T-1' },
    relative: 0.0015,
    absolute: 0,
    distribution: { kind: 'normal', k: 2 },
    freedom: Infinity,
  });
});

test('a sensitivity with a unit turns 8 mN·m into 0.08 %', () => {
  const budget = station().uncertainty.get('static-gain');
  if (budget === undefined) throw new Error('it is stated');
  const table = budgetTable(1, budget);
  expect(table.lines.map(({ contribution }) => Number(contribution.toFixed(12)))).toEqual([
    0.00075, 0.0004, 0.0005,
  ]);
  expect(budget.components[1]).toMatchObject({
    dimension: 'ratio',
    sensitivityText: '10 % per N·m',
  });
  expect(budget.components[2]?.freedom).toBe(9);
});

test('what comes from the stand model has the size that is stated there, and follows it', () => {
  const delay = (text: string): unknown => station(text).uncertainty.get('lag')?.components[0];
  expect(delay(TEXT)).toMatchObject({ absolute: 0.02e-3, dimension: 'time' });
  expect(delay(TEXT.replace('U: 0.02 ms', 'U: 0.04 ms'))).toMatchObject({ absolute: 0.04e-3 });
});

test('the digest of the bench covers the budgets', () => {
  const other = station(TEXT.replace('0.15 %', '0.16 %'));
  expect(other.digest).not.toBe(station().digest);
});

for (const [text, factor, of, per] of [
  ['8.75 % per N·m', 0.0875, 'ratio', 'torque'],
  ['1 Hz per °', 1, 'frequency', 'angle'],
  ['3 N·m per 2 A', 1.5, 'torque', 'current'],
  ['-0.1 updates per ms', -100, 'updates', 'time'],
] as const) {
  test(`the sensitivity "${text}" is ${factor} in base units`, () => {
    const read = readSensitivity(text);
    expect(read?.factor).toBeCloseTo(factor, 12);
    expect([read?.of.dimension, read?.per.dimension]).toEqual([of, per]);
  });
}

interface Case {
  readonly name: string;
  readonly old: string;
  readonly now: string;
  readonly code: Problem['code'];
  readonly line: number;
  /** Part of what is said. */
  readonly what: string;
  readonly fix?: string;
}

const cases: readonly Case[] = [
  {
    name: 'an instrument that the register does not have',
    old: 'of: T-1',
    now: 'of: T-2',
    code: 'budget/unknown',
    line: 16,
    what: 'Component "calibration" of the uncertainty comes from "T-2", but there is no such instrument in the register.',
    fix: 'Write "T-1".',
  },
  {
    name: 'an instrument that is not named',
    old: 'from: instrument, of: T-1',
    now: 'from: instrument',
    code: 'budget/component',
    line: 16,
    what: 'but says not from which',
    fix: 'Write of: with "T-1".',
  },
  {
    name: 'a value that the stand model does not have',
    old: 'of: current-delay',
    now: 'of: stiffness',
    code: 'budget/unknown',
    line: 18,
    what: 'there is no such value in the stand model',
  },
  {
    name: 'a size beside that of the stand model',
    old: 'of: current-delay',
    now: 'of: current-delay, absolute: 1 ms',
    code: 'budget/component',
    line: 18,
    what: 'takes its size from the stand model, but has "absolute" too',
  },
  {
    name: 'a size without a unit',
    old: 'absolute: 8 mN·m',
    now: 'absolute: 8',
    code: 'procedure/bare-number',
    line: 17,
    what: '8 without a unit',
  },
  {
    name: 'a share in another unit',
    old: 'relative: 0.15 %',
    now: 'relative: 0.15 N·m',
    code: 'procedure/unit-mismatch',
    line: 16,
    what: 'The relative of component "calibration" of the uncertainty is 0.15 N·m, a torque',
  },
  {
    name: 'a size of 0',
    old: 'absolute: 8 mN·m',
    now: 'absolute: 0 mN·m',
    code: 'document/value',
    line: 17,
    what: 'must be above 0',
  },
  {
    name: 'a component without a size',
    old: 'relative: 0.15 %, ',
    now: '',
    code: 'budget/component',
    line: 16,
    what: 'has no size',
  },
  {
    name: 'a distribution that is not known',
    old: 'distribution: rectangular',
    now: 'distribution: uniform',
    code: 'document/value',
    line: 27,
    what: 'The distribution of component 2 of budget "lag" of the uncertainty is "uniform"',
  },
  {
    name: 'no distribution',
    old: ', distribution: rectangular',
    now: '',
    code: 'document/key',
    line: 27,
    what: 'has no "distribution"',
  },
  {
    name: 'normal without its k',
    old: 'absolute: 8 mN·m, distribution: normal, k: 2',
    now: 'absolute: 8 mN·m, distribution: normal',
    code: 'budget/component',
    line: 17,
    what: 'does not say how many standard uncertainties its size is',
    fix: 'Write k: 1 for a standard uncertainty, k: 2 for U.',
  },
  {
    name: 'a k beside limits',
    old: 'distribution: rectangular',
    now: 'distribution: rectangular, k: 2',
    code: 'budget/component',
    line: 27,
    what: 'is rectangular, so that its size is half its width, but has a k',
  },
  {
    name: 'a judgement without its reason',
    old: 'why: estimate, ',
    now: '',
    code: 'budget/component',
    line: 17,
    what: 'is a judgement without its reason',
  },
  {
    name: 'a component that is not there',
    old: 'preload: [torque]',
    now: 'preload: [torqe]',
    code: 'budget/unknown',
    line: 22,
    what: 'There is no component "torqe"',
    fix: 'Write "torque".',
  },
  {
    name: 'a group of a component that is not there',
    old: 'torque: [calibration, zero]',
    now: 'torque: [calibration, zeroo]',
    code: 'budget/unknown',
    line: 20,
    what: 'There is no component "zeroo"',
  },
  {
    name: 'a component named twice',
    old: 'preload: [torque]',
    now: 'preload: [zero, zero]',
    code: 'budget/component',
    line: 22,
    what: 'The budget of "preload" has the component "zero" twice',
  },
  {
    name: 'a component named beside its group',
    old: 'preload: [torque]',
    now: 'preload: [torque, zero]',
    code: 'budget/component',
    line: 22,
    what: 'The budget of "preload" has the component "zero" twice',
  },
  {
    name: 'a component written out twice',
    old: '    lag: [delay, {',
    now: '    lag: [{ what: grid, from: resolution, absolute: 1 ms, distribution: arcsine }, {',
    code: 'budget/component',
    line: 27,
    what: 'The budget of "lag" has the component "grid" twice',
  },
  {
    name: 'a group called like a component',
    old: '    torque: [calibration, zero]',
    now: '    torque: [calibration, zero]\n    zero: [calibration]',
    code: 'budget/component',
    line: 21,
    what: 'A group and a component are both called "zero"',
  },
  {
    name: 'a budget of nothing',
    old: 'preload: [torque]',
    now: 'preload: []',
    code: 'document/value',
    line: 22,
    what: 'Budget "preload" of the uncertainty has 0 members, but must have at least 1.',
  },
  {
    name: 'a sensitivity that is no quantity per unit',
    old: 'sensitivity: 10 % per N·m',
    now: 'sensitivity: ten per N·m',
    code: 'quantity/unreadable',
    line: 25,
    what: 'must be a quantity per a unit',
  },
  {
    name: 'a sensitivity per another quantity',
    old: 'sensitivity: 10 % per N·m',
    now: 'sensitivity: 10 % per A',
    code: 'procedure/unit-mismatch',
    line: 25,
    what: 'is per current, but its component is a torque',
  },
  {
    name: 'a sensitivity with a unit for a share of the value',
    old: '      - calibration\n',
    now: '      - { use: calibration, sensitivity: 10 % per N·m }\n',
    code: 'budget/component',
    line: 24,
    what: 'its component has a part that is a share of the value',
  },
  {
    name: 'a day that does not exist',
    old: 'date: 2026-02-01',
    now: 'date: 2026-02-30',
    code: 'document/value',
    line: 14,
    what: 'no day of the calendar',
  },
  {
    name: 'a budget as it was written before',
    old: 'lag: [delay, { what: grid, from: resolution, absolute: 0.03 ms, distribution: rectangular }]',
    now: 'lag: { absolute: 0.06 ms }',
    code: 'document/value',
    line: 27,
    what: 'Budget "lag" of the uncertainty is a mapping, but must be a list.',
  },
];

test('the document that the cases change is in order', () => {
  expect(problemsOf(TEXT)).toEqual([]);
});

for (const { name, old, now, code, line, what, fix } of cases) {
  test(`${name}: ${code}`, () => {
    const text = TEXT.replace(old, now);
    expect(text).not.toBe(TEXT);
    const problems = problemsOf(text);
    expect(problems.map((p) => [p.code, p.where?.line])).toEqual([[code, line]]);
    expect(problems[0]?.what).toContain(what);
    if (fix !== undefined) expect(problems[0]?.fix).toBe(fix);
  });
}

test('every problem is found at once', () => {
  const text = TEXT.replace('of: T-1', 'of: T-2')
    .replace('why: estimate, ', '')
    .replace('preload: [torque]', 'preload: [torqe]');
  expect(problemsOf(text).map((p) => p.code)).toEqual([
    'budget/unknown',
    'budget/component',
    'budget/unknown',
  ]);
});
