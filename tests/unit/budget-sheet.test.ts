import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { printBudgets, type BudgetOptions } from '../../src/cli/budget.js';
import { freedomText } from '../../src/cli/budget-sheet.js';
import type { Terminal } from '../../src/cli/terminal.js';

function printed(ids: readonly string[], options: BudgetOptions = {}, width = 200): string {
  const lines: string[] = [];
  const to: Terminal = {
    out: (text) => void lines.push(text),
    err: () => undefined,
    width,
    isInteractive: false,
    ask: () => Promise.reject(new Error('nobody is asked')),
  };
  expect(printBudgets(ids, options, to)).toBe(0);
  return lines.join('\n');
}

function codesOf(ids: readonly string[], options: BudgetOptions): readonly string[] {
  try {
    printed(ids, options);
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
}

interface SheetJson {
  readonly u: number;
  readonly k: number;
  readonly U: number;
  readonly unit: string;
  readonly components: readonly { readonly contribution: number; readonly share: number }[];
}

const json = (ids: readonly string[], value: string): SheetJson => {
  const [sheet] = JSON.parse(printed(ids, { value, json: true })) as readonly SheetJson[];
  if (sheet === undefined) throw new Error('one was asked for');
  return sheet;
};

test('the sheet says what a metrologist signs', () => {
  const sheet = printed(['static-gain'], { value: '100 %' });
  for (const text of [
    'Uncertainty budget: static gain (static-gain)',
    'TW-1',
    'version     1, 2026-11-28; stand model 12 of 2026-10-05T08:30:00Z',
    'measurand   Slope of the least-squares line through the mean shaft torque',
    'y = x·(1 + δ1 + δ2 + δ3 + δ4 + δ5) + c6·δ6 + δ7',
    'TT-204 (20-88317)',
    'normal, k = 2',
    '8.75 % per N·m',
    'repeats (type A)',
    'y = (100.00 ± 0.29) %, U = 0.29 %, k = 2.00',
    'for a coverage of 95.45 %',
    'stated by',
  ]) {
    expect(sheet).toContain(text);
  }
});

test('static torque of 6 N·m: components by hand', () => {
  const { unit, u, U, k, components } = json(['preload'], '6 N·m');
  // Expanded: 0.15, 0.2, 0.1, 0.05 and 0.05 % of 6 N·m, 8 mN·m; half a step of 0.305 mN·m; scatter 0.09 mN·m.
  const byHand = Math.hypot(
    ...[0.15, 0.2, 0.1, 0.05, 0.05].map((share) => (6 * share) / 100 / 2),
    0.004,
    0.000305 / Math.sqrt(3),
    0.00009,
  );
  expect(unit).toBe('N·m');
  expect(u).toBeCloseTo(byHand, 9);
  expect(k).toBe(2);
  expect(U).toBeCloseTo(2 * byHand, 9);
  expect(components.reduce((sum, { share }) => sum + share, 0)).toBeCloseTo(1, 12);
  expect(Math.hypot(...components.map(({ contribution }) => contribution))).toBeCloseTo(u, 12);
});

/** U as the scenario of the invented works states it, rounded up there; lower bounds leave a tenth. */
const STATED: readonly (readonly [id: string, value: string, U: number])[] = [
  ['torque-constant', '0.6 N·m/A', 0.0036], // 0.6 %
  ['rise-time', '2.7 ms', 0.06],
  ['lag', '2.4 ms', 0.06],
  ['slew-rate', '6 N·m/ms', 0.15],
  ['bandwidth', '127 Hz', 3.81],
  ['overshoot', '4 %', 1],
  ['shaft-overshoot', '3 %', 2],
  ['grain', '50 mN·m', 4],
  ['ripple', '0.2 %', 0.1],
  ['winding-rise', '10 K', 1.5],
  ['supply-minimum', '47 V', 0.1],
  ['stability-margin', '76 N·m/rad', 4.56],
];

for (const [id, value, U] of STATED) {
  test(`U of ${id} at ${value} is ${U} as stated for the works, within a tenth`, () => {
    const found = json([id], value).U;
    expect(Math.abs(found / U - 1)).toBeLessThan(0.1);
  });
}

test('without a name every limit has its line, and U above a quarter of the tolerance is told', () => {
  const text = printed([]);
  expect(text).toMatch(/static\.static-gain .* 0\.29 {2}/u);
  expect(text).toMatch(/shaped-step\.shaft-overshoot .* 33 % {2}wide: above a quarter/u);
  expect(text).toMatch(/field\.missing-updates .* not stated/u);
  const { rows } = JSON.parse(printed([], { json: true })) as {
    readonly rows: readonly { readonly row: string; readonly wide: boolean }[];
  };
  const wide = rows.filter((row) => row.wide).map(({ row }) => row);
  expect(wide).toEqual(
    text
      .split('\n')
      .filter((line) => line.includes('wide:'))
      .map((line) => line.split(' ')[0]),
  );
});

test('a sheet warns of a U above a quarter of the tolerance', () => {
  expect(printed(['shaft-overshoot'])).toContain(
    'U is 33 % of the tolerance of shaped-step.shaft-overshoot; a quarter is usual at most.',
  );
  expect(printed(['static-gain'])).not.toContain('warning');
});

test('in a narrow window what a component is takes several lines', () => {
  const narrow = printed(['static-gain'], {}, 120).split('\n');
  expect(narrow.some((line) => /^1 {2}calibration of the +TT-204/u.test(line))).toBe(true);
  expect(narrow.some((line) => /^ +torque transducer$/u.test(line))).toBe(true);
});

const REFUSED: readonly (readonly [string, readonly string[], BudgetOptions, readonly string[]])[] =
  [
    ['an unknown characteristic', ['static-gian'], {}, ['usage/argument']],
    ['a value of another kind', ['static-gain'], { value: '6 N·m' }, ['procedure/unit-mismatch']],
    ['a value without a unit', ['static-gain'], { value: '6' }, ['quantity/unreadable']],
    ['a value for none', [], { value: '6 N·m' }, ['usage/argument']],
    ['one without a budget', ['missing-updates'], {}, ['usage/argument']],
    ['one without a limit and a value', ['undershoot'], {}, ['usage/argument']],
    ['a bench that is not there', ['lag'], { bench: 'nowhere.yaml' }, ['storage/unreadable']],
  ];

for (const [name, ids, options, codes] of REFUSED) {
  test(`${name} is refused with ${codes.join()}`, () => {
    expect(codesOf(ids, options)).toEqual(codes);
  });
}

test('a characteristic without a limit has a sheet for a value', () => {
  expect(printed(['undershoot'], { value: '2 %' })).toContain('value       2 %, as given');
});

test('degrees of freedom are cut to whole numbers', () => {
  expect([16.76, 9999.5, 10000, Infinity].map(freedomText)).toEqual(['16', '9999', '> 9999', '∞']);
});
