import { expect, test } from 'vitest';
import { CONCERNS, doubt, gateOf, inOrder, marginOf } from '../../src/capture/gate.js';
import { gateAs } from '../support/stand.js';

const MARGINS = [
  { sense: 'at-most', observed: 0, allowed: 4, holds: true, margin: 1 },
  { sense: 'at-most', observed: 3, allowed: 4, holds: true, margin: 0.25 },
  { sense: 'at-most', observed: -3, allowed: 4, holds: true, margin: 0.25 },
  { sense: 'at-most', observed: 6, allowed: 4, holds: false, margin: -0.5 },
  { sense: 'at-least', observed: 0.99, allowed: 0.9, holds: true, margin: 0.1 },
  { sense: 'at-least', observed: 0.45, allowed: 0.9, holds: false, margin: -0.5 },
  { sense: 'at-most', observed: 0, allowed: 0, holds: true, margin: 1 },
  { sense: 'at-most', observed: 7, allowed: 0, holds: false, margin: -7 },
] as const;

for (const { margin, ...gate } of MARGINS) {
  test(`${gate.observed} of ${gate.sense} ${gate.allowed} has the margin ${margin}`, () => {
    expect(marginOf(gate)).toBeCloseTo(margin, 12);
  });
}

const identity = {
  id: 'converter-clip',
  name: 'converter clip',
  concern: 'sensor',
  reach: 'stage',
  sense: 'at-most',
  blames: 'stand',
} as const;

for (const strange of [NaN, Infinity, -Infinity]) {
  test(`a finding of ${strange} does not hold, whatever was said, and is recorded as a finite number`, () => {
    const found = { holds: true, observed: strange, allowed: 1, unit: '', evidence: '' };
    const gate = gateOf(identity, 'steps', found);
    expect(gate).toMatchObject({ holds: false, scope: 'steps', margin: -1 });
    expect(Number.isFinite(gate.observed)).toBe(true);
  });
}

test('a gate that reaches beyond its stage says "run"', () => {
  const found = { holds: true, observed: 0, allowed: 1, unit: '', evidence: '' };
  expect(gateOf({ ...identity, reach: 'run' }, 'close', found).scope).toBe('run');
  expect(gateOf({ ...identity, reach: 'dependents' }, 'response', found).scope).toBe('run');
});

test('what cannot be judged does not hold', () => {
  expect(gateOf(identity, 'steps', doubt(1, 'V', 'no samples'))).toMatchObject({
    holds: false,
    margin: 0,
    evidence: 'Not judged: no samples',
  });
});

test('gates are told in the order of their concerns, those of one concern as they came', () => {
  const said = {
    holds: true,
    observed: 0,
    allowed: 0,
    unit: '',
    blames: 'stand',
    evidence: '',
  } as const;
  const came = [...CONCERNS, ...CONCERNS]
    .reverse()
    .map((concern, i) => gateAs({ ...said, name: `${concern} ${i}`, scope: 'run', concern }));
  const told = inOrder(came).map(({ name }) => name);
  expect(told.map((name) => name.split(' ')[0])).toEqual(CONCERNS.flatMap((c) => [c, c]));
  const numbers = told.filter((n) => n.startsWith('clock')).map((n) => Number(n.split(' ')[1]));
  expect(numbers).toEqual([...numbers].sort((a, b) => a - b));
});
