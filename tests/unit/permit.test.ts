import { expect, test } from 'vitest';
import { newtonMetre } from '../../src/base/units.js';
import type { Bench } from '../../src/bench/bench.js';
import {
  type Acknowledgement,
  type EnergizePermit,
  issuePermit,
  PERMIT_LIFETIME,
  spendPermit,
  type Task,
  voidPermits,
} from '../../src/bench/permit.js';
import type { Hazard } from '../../src/procedure/procedure.js';

const NOW = Date.parse('2026-11-25T14:00:00Z');
const task: Task = { bench: 'TW-1', serial: 'H12-26-04711', attempt: 1, procedureDigest: 'a1' };

function acknowledged(hazard: Hazard, change: Partial<Acknowledgement> = {}): Acknowledgement {
  return {
    hazard,
    by: 'A. Operator',
    at: NOW - 1000,
    serial: task.serial,
    attempt: task.attempt,
    language: 'en',
    textIssue: 1,
    means: 'typed at the terminal',
    ...change,
  };
}

const both = (change: Partial<Acknowledgement> = {}): readonly Acknowledgement[] => [
  acknowledged('crushing', change),
  acknowledged('sudden-torque', change),
];

function permitted(replies = both(), now = NOW): EnergizePermit {
  const permit = issuePermit(task, ['crushing', 'sudden-torque'], replies, now);
  if ('outstanding' in permit) throw new Error('no permit');
  return permit;
}

test('two acknowledgements of a second ago give a permit that works once', () => {
  const permit = permitted();
  expect(permit.expiresAt).toBe(NOW - 1000 + PERMIT_LIFETIME);
  spendPermit(permit, task, NOW);
  expect(() => {
    spendPermit(permit, task, NOW);
  }).toThrow('bench/permit-void');
});

const refused: readonly (readonly [string, Partial<Acknowledgement>])[] = [
  ['for another serial', { serial: 'H12-26-04712' }],
  ['for another attempt', { attempt: 2 }],
  ['by nobody', { by: '  ' }],
  ['of a minute ago', { at: NOW - PERMIT_LIFETIME }],
  ['from the future', { at: NOW + 1 }],
  ['at no time', { at: NaN }],
];
for (const [name, change] of refused) {
  test(`acknowledgements ${name} leave both hazards outstanding`, () => {
    const outcome = issuePermit(task, ['crushing'], both(change), NOW);
    expect(outcome).toEqual({ outstanding: ['crushing', 'sudden-torque'] });
  });
}

test('a procedure that names no hazard still needs both acknowledged', () => {
  expect(issuePermit(task, [], [acknowledged('crushing')], NOW)).toEqual({
    outstanding: ['sudden-torque'],
  });
});

test('a permit lives for a minute after the oldest reply it rests on', () => {
  const permit = permitted([
    acknowledged('crushing', { at: NOW - 59_999 }),
    acknowledged('sudden-torque'),
  ]);
  expect(() => {
    spendPermit(permit, task, NOW + 1);
  }).toThrow('bench/permit-void');
});

const others: readonly Partial<Task>[] = [
  { bench: 'TW-2' },
  { serial: 'H12-26-04712' },
  { attempt: 2 },
  { procedureDigest: 'b2' },
];
for (const other of others) {
  test(`a permit is refused for ${JSON.stringify(other)} and is spent by the attempt`, () => {
    const permit = permitted();
    expect(() => {
      spendPermit(permit, { ...task, ...other }, NOW);
    }).toThrow('bench/permit-void');
    expect(() => {
      spendPermit(permit, task, NOW);
    }).toThrow('bench/permit-void');
  });
}

test('a forged permit is refused however well it looks', () => {
  const real = permitted();
  for (const forged of [{ ...real }, Object.create(real) as EnergizePermit]) {
    expect(() => {
      spendPermit(forged, task, NOW);
    }).toThrow('bench/permit-void');
  }
  spendPermit(real, task, NOW);
});

test('a permit cannot be given a longer life', () => {
  const permit = permitted();
  expect(Object.isFrozen(permit)).toBe(true);
});

test('a time that is no number spends the permit and refuses it', () => {
  expect(() => {
    spendPermit(permitted(), task, NaN);
  }).toThrow('bench/permit-void');
});

test('a stop voids the permits of its bench and no other', () => {
  const here = permitted();
  const elsewhere = issuePermit({ ...task, bench: 'TW-2' }, [], both(), NOW);
  if ('outstanding' in elsewhere) throw new Error('no permit');
  voidPermits('TW-1');
  expect(() => {
    spendPermit(here, task, NOW);
  }).toThrow('bench/permit-void');
  spendPermit(elsewhere, { ...task, bench: 'TW-2' }, NOW);
});

// @ts-expect-error a bench without power cannot play
export type PlayWithoutPower = Bench['play'];
// @ts-expect-error a bench without power cannot be fed
export type FeedWithoutPower = Bench['feed'];

/** Never called: each line must not compile, or the compiler reports an unused expectation. */
export async function mustNotCompile(bench: Bench): Promise<void> {
  // @ts-expect-error an object literal is not a permit
  const literal: EnergizePermit = { ...task, expiresAt: NOW };
  // @ts-expect-error a task is not a permit
  await bench.energize(task, task, newtonMetre(12.5));
  const outcome = issuePermit(task, [], [], NOW);
  // @ts-expect-error outstanding hazards are not a permit
  spendPermit(outcome, task, NOW);
  // @ts-expect-error a ceiling is a torque, not a number
  await bench.energize(literal, task, 12.5);
  // @ts-expect-error a permit cannot be changed
  literal.expiresAt = NOW;
}
