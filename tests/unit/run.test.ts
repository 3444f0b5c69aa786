import { expect, test } from 'vitest';
import { advance, mayCarryPower, type Run, type RunEvent } from '../../src/run/run.js';

const states: readonly Run[] = [
  { state: 'briefed' },
  { state: 'permitted' },
  { state: 'energized' },
  { state: 'captured' },
  { state: 'decided' },
  { state: 'certified' },
  { state: 'recorded' },
  { state: 'aborted', from: 'energized', reason: 'guard opened' },
];

const events: readonly RunEvent[] = [
  { kind: 'permit-issued' },
  { kind: 'power-applied' },
  { kind: 'made-safe' },
  { kind: 'decision-made' },
  { kind: 'record-sealed' },
  { kind: 'record-entered' },
  { kind: 'stopped', reason: 'operator' },
];

// Rows are states, columns events, in the order above; a dot means refused.
const table = [
  ['permitted', '.', '.', '.', '.', '.', 'aborted'],
  ['.', 'energized', 'captured', '.', '.', '.', 'aborted'],
  ['.', '.', 'captured', '.', '.', '.', 'aborted'],
  ['.', '.', '.', 'decided', '.', '.', 'aborted'],
  ['.', '.', '.', '.', 'certified', '.', 'aborted'],
  ['.', '.', '.', '.', '.', 'recorded', 'aborted'],
  ['.', '.', '.', '.', '.', '.', 'recorded'],
  ['.', '.', '.', '.', '.', '.', 'aborted'],
];

states.forEach((state, row) => {
  events.forEach((event, column) => {
    const want = table[row]?.[column];
    test(`${state.state} and ${event.kind} gives ${String(want)}`, () => {
      if (want === '.') expect(() => advance(state, event)).toThrow('run/transition');
      else expect(advance(state, event).state).toBe(want);
    });
  });
});

test('an aborted run remembers the state it left and why', () => {
  expect(advance({ state: 'energized' }, { kind: 'stopped', reason: 'guard opened' })).toEqual({
    state: 'aborted',
    from: 'energized',
    reason: 'guard opened',
  });
});

test('stopping an aborted run again keeps the first reason', () => {
  const aborted: Run = { state: 'aborted', from: 'permitted', reason: 'first' };
  expect(advance(aborted, { kind: 'stopped', reason: 'second' })).toEqual(aborted);
});

test('only an energized run may carry power', () => {
  expect(states.filter(mayCarryPower).map((s) => s.state)).toEqual(['energized']);
});
