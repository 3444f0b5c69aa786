import { expect, test } from 'vitest';
import { budgetOf } from '../support/budget.js';
import type { Budget, Component } from '../../src/procedure/budget.js';
import type { Dimension } from '../../src/base/units.js';
import { checkBudgetsOf } from '../../src/run/plan-budgets.js';
import { characteristic, CHARACTERISTICS } from '../../src/scoring/catalogue.js';
import { shippedDocuments } from '../support/simulated-run.js';

const { station } = shippedDocuments();
const known = new Map(CHARACTERISTICS.map((entry) => [entry.id, entry]));
const [all] = budgetOf(0, 0.01).components;

const from = (id: string): Component => ({ ...all, origin: { kind: 'instrument', id } });
const budgetFrom = (first: Component, ...more: readonly Component[]): Budget => ({
  ...budgetOf(0, 0.01),
  components: [first, ...more],
});
const problemsOf = (id: string, budget: Budget): readonly string[] =>
  checkBudgetsOf({ ...station, uncertainty: new Map([[id, budget]]) }, known).map(
    ({ code, what }) => `${code}: ${what}`,
  );

test('the budgets of the shipped bench are in order', () => {
  expect(checkBudgetsOf(station, known)).toEqual([]);
});

const NEEDS: readonly (readonly [id: string, instruments: readonly string[]])[] = [
  ['zero-offset', ['TT-204']],
  ['grain', ['TT-204']],
  ['slew-rate', ['TT-204']],
  ['stability-margin', ['TT-204']],
  ['torque-constant', ['TT-204', 'CS-11']],
  ['supply-minimum', ['DG-3']],
  ['sound-level', ['MP-6']],
  ['lag', []],
  ['overshoot', []],
];

for (const [id, instruments] of NEEDS) {
  test(`${id} is traceable to ${instruments.join(' and ') || 'no instrument in particular'}`, () => {
    const missing = problemsOf(id, budgetFrom(all));
    expect(missing).toHaveLength(instruments.length);
    for (const text of missing) expect(text).toMatch(/^budget\/component: The budget of/u);
    const [first = all, ...more] = instruments.map(from);
    expect(problemsOf(id, budgetFrom(first, ...more))).toEqual([]);
    instruments.forEach((left) => {
      const others = instruments.filter((one) => one !== left).map(from);
      expect(problemsOf(id, budgetFrom(all, ...others))).toHaveLength(1);
    });
  });
}

test('an instrument that measures something else makes nothing traceable', () => {
  expect(problemsOf('zero-offset', budgetFrom(from('MP-6')))).toEqual([
    'budget/component: The budget of "zero-offset" has no component from an instrument that measures torque: nothing makes it traceable.',
  ]);
});

test('a bench without such an instrument is told to get one', () => {
  const [first] = station.register;
  const bare = { ...station, register: [{ ...first, quantity: 'other' }] } as const;
  const uncertainty = new Map([['zero-offset', budgetFrom(all)]]);
  const [problem] = checkBudgetsOf({ ...bare, uncertainty }, known);
  expect(problem?.fix).toBe(
    'Enter such an instrument in the register of TW-1, then its component.',
  );
});

test('each component is held against the dimension of the characteristic', () => {
  const wrong = (dimension: Dimension): Component => ({ ...all, what: dimension, dimension });
  expect(problemsOf('lag', budgetFrom(wrong('time'), wrong('torque'), wrong('ratio')))).toEqual([
    'procedure/unit-mismatch: TW-1 states "torque" in the uncertainty of "lag" as a torque, but it is a time.',
    'procedure/unit-mismatch: TW-1 states "ratio" in the uncertainty of "lag" as a ratio, but it is a time.',
  ]);
  expect(characteristic('lag')?.dimension).toBe('time');
});

test('a budget of no known characteristic is refused with the nearest', () => {
  const [problem] = checkBudgetsOf(
    { ...station, uncertainty: new Map([['lagg', budgetFrom(all)]]) },
    known,
  );
  expect(problem).toMatchObject({ code: 'limits/unknown', fix: 'Write "lag".' });
});
