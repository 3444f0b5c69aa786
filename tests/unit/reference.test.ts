import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import { readReferences, type ReferenceRegister } from '../../src/procedure/reference-items.js';
import type { ReferencePolicy } from '../../src/procedure/station.js';
import {
  checkDeviations,
  itemsOf,
  referenceChecks,
  referenceProblems,
  type ReferenceSituation,
} from '../../src/readiness/reference.js';
import { readinessProblems, type Check } from '../../src/readiness/readiness.js';
import { WrittenLedger } from '../support/reference-ledger.js';

const FILE = 'procedures/benches/reference-items.yaml';
const SHIPPED = readFileSync(new URL(`../../${FILE}`, import.meta.url), 'utf8');
const REGISTER = readReferences(SHIPPED, FILE);

const POLICY: ReferencePolicy = { within: second(8 * 3600), items: 20, required: true };
const BAD = { item: 'REF-H12-B', kind: 'known-bad' } as const;

interface Case {
  readonly name: string;
  readonly write?: (ledger: WrittenLedger) => void;
  /** Hours after the start at which readiness is asked. */
  readonly now: number;
  readonly policy?: Partial<ReferencePolicy>;
  /** Of REF-H12-A. */
  readonly state: Check['state'];
  readonly found: RegExp;
  readonly clear?: Check['clear'];
  readonly age?: number;
  readonly register?: (text: string) => string;
}

function checksOf(given: Pick<Case, 'write' | 'now' | 'policy' | 'register'>): readonly Check[] {
  const ledger = new WrittenLedger();
  given.write?.(ledger);
  const situation: ReferenceSituation = {
    register:
      given.register === undefined ? REGISTER : readReferences(given.register(SHIPPED), FILE),
    station: {
      ...{ id: 'TW-1', kind: 'simulated', zone: 'UTC' },
      checks: { reference: { ...POLICY, ...given.policy } },
    },
    model: 'H12',
    ledger,
    now: WrittenLedger.at(given.now),
  };
  return referenceChecks(situation);
}

const tested = (ledger: WrittenLedger, n: number, hours: number): void => {
  for (let i = 1; i <= n; i++) ledger.tested(hours, i);
};

const CASES: readonly Case[] = [
  { name: 'nothing was checked yet', now: 1, state: 'not run', found: /never checked on TW-1/u },
  {
    name: 'checked an hour ago, three items since',
    write: (l) => {
      l.checked(0);
      tested(l, 3, 0.5);
    },
    ...{ now: 1, state: 'ok', found: /1\.0 h and 3 of 20 attempts/u, age: 3600 },
  },
  {
    name: 'the last eighth of the hours',
    write: (l) => void l.checked(0),
    ...{ now: 7, state: 'due soon', found: /7\.0 h/u },
  },
  {
    name: 'the hours are over',
    write: (l) => void l.checked(0),
    ...{ now: 8, state: 'overdue', found: /8\.0 h .*allowed 8\.0 h/u, clear: 'operator' },
  },
  {
    name: 'the last eighth of the items',
    write: (l) => {
      l.checked(0);
      tested(l, 18, 0.5);
    },
    ...{ now: 1, state: 'due soon', found: /18 of 20/u },
  },
  {
    name: 'as many items as are allowed',
    write: (l) => {
      l.checked(0);
      tested(l, 20, 0.5);
    },
    ...{ now: 1, state: 'overdue', found: /20 of 20/u },
  },
  {
    name: 'the last allowed item is in progress',
    write: (l) => {
      l.checked(0);
      tested(l, 19, 0.5);
      l.write('attempt-begun', 0.9, {
        serial: 'H12-26-00020',
        attempt: 1,
        body: { bench: 'TW-1' },
      });
    },
    ...{ now: 1, state: 'due soon', found: /19 of 20/u },
  },
  {
    name: 'attempts that gave no record count too',
    write: (l) => {
      l.checked(0);
      for (let i = 0; i < 20; i++) {
        const which = { serial: 'H12-26-00001', attempt: i + 1, body: { bench: 'TW-1' } };
        l.write('attempt-begun', 0.5, which);
        l.write('attempt-aborted', 0.5, which);
      }
    },
    ...{ now: 1, state: 'overdue', found: /20 of 20/u },
  },
  {
    name: 'attempts on another bench do not count',
    write: (l) => {
      l.checked(0);
      for (let i = 1; i <= 30; i++) l.tested(0.5, i, 'ACCEPT', 'TW-2');
    },
    ...{ now: 1, state: 'ok', found: /0 of 20/u },
  },
  {
    name: 'a check on another bench is none',
    write: (l) => void l.checked(0, { bench: 'TW-2' }),
    ...{ now: 1, state: 'not run', found: /never/u },
  },
  {
    name: 'a check on a real bench of that name is none on a simulated one',
    write: (l) => void l.checked(0, { simulated: false }),
    ...{ now: 1, state: 'not run', found: /never/u },
  },
  {
    name: 'the check failed',
    write: (l) => {
      l.checked(0);
      l.checked(1, { ok: false, reason: 'REF-H12-A is off its assigned static.static-gain.' });
    },
    ...{
      now: 1.1,
      state: 'failed',
      found: /entry 2 .*off its assigned/u,
      clear: 'quality engineer',
    },
  },
  {
    name: 'a good check after a failed one',
    write: (l) => {
      l.checked(0, { ok: false });
      l.checked(1);
    },
    ...{ now: 1.5, state: 'ok', found: /0\.5 h/u },
  },
  {
    name: 'a failed check does not run out',
    write: (l) => void l.checked(0, { ok: false, reason: 'off.' }),
    ...{ now: 1000, state: 'failed', found: /off\./u },
  },
  {
    name: 'a clock that stands before the check',
    write: (l) => void l.checked(2),
    ...{ now: 1, state: 'overdue', found: /still to come by this clock/u },
  },
  {
    name: 'a clock that was set back and confirmed, though it looks like ten minutes since the check',
    write: (l) => {
      l.checked(0);
      l.tested(7, 1);
      l.setBack(0.1);
    },
    ...{ now: 1 / 6, state: 'overdue', found: /set back since entry 1/u },
  },
  {
    name: 'a check after the clock was set back',
    write: (l) => {
      l.checked(7);
      l.setBack(0.1);
      l.checked(0.2);
    },
    ...{ now: 0.3, state: 'ok', found: /0\.1 h/u },
  },
  {
    name: 'a clock that stands still: items count all the same',
    write: (l) => {
      l.checked(0);
      tested(l, 25, 0);
    },
    ...{ now: 0, state: 'overdue', found: /20 of 20/u, age: 0 },
  },
  {
    name: 'its values expired yesterday, though it was checked an hour ago',
    write: (l) => void l.checked(0),
    register: (text) => text.replace('expires: 2036-11-20', 'expires: 2026-11-24'),
    ...{ now: 1, state: 'overdue', found: /expired on 2026-11-24/u, clear: 'quality engineer' },
  },
  {
    name: 'its values expire today',
    write: (l) => void l.checked(0),
    register: (text) => text.replace('expires: 2036-11-20', 'expires: 2026-11-25'),
    ...{ now: 1, state: 'due soon', found: /expire on 2026-11-25/u },
  },
  {
    name: 'its values are of tomorrow',
    register: (text) => text.replace('date: 2026-11-20', 'date: 2026-11-26'),
    ...{ now: 1, state: 'overdue', found: /in the future/u },
  },
  {
    name: 'its values were assigned anew since',
    write: (l) => void l.checked(0, { assigned: '2026-10-01' }),
    ...{ now: 1, state: 'not run', found: /assigned anew on 2026-11-20/u },
  },
];

for (const { name, state, found, clear, age, ...given } of CASES) {
  test(`${name}: ${state}`, () => {
    const check = checksOf(given).find((one) => one.name === 'reference item REF-H12-A');
    expect(check).toMatchObject({
      state,
      found: expect.stringMatching(found) as string,
      ...(clear === undefined ? {} : { clear }),
      ...(age === undefined ? {} : { age }),
    });
    const refused = readinessProblems(check === undefined ? [] : [check]);
    expect(refused.length).toBe(state === 'ok' || state === 'due soon' ? 0 : 1);
  });
}

test('the known-bad item has a check of its own', () => {
  const checks = checksOf({
    now: 1,
    write: (l) => {
      l.checked(0);
      l.checked(0.5, { ...BAD, ok: false, reason: 'this bench can only say yes.' });
    },
  });
  expect(checks.map(({ name, state }) => [name, state])).toEqual([
    ['reference item REF-H12-A', 'ok'],
    ['reference item REF-H12-B', 'failed'],
  ]);
});

test('where checks are not required, a missing one is told and stands on the record, a failed one locks', () => {
  const policy = { required: false };
  const missing = checksOf({ now: 1, policy });
  expect(readinessProblems(missing)).toEqual([]);
  expect(checkDeviations(missing)).toEqual([
    'Check "reference item REF-H12-A" not run: never checked on TW-1 in this ledger.',
    'Check "reference item REF-H12-B" not run: never checked on TW-1 in this ledger.',
  ]);
  const overdue = checksOf({ now: 9, policy, write: (l) => void l.checked(0) });
  expect(readinessProblems(overdue)).toEqual([]);
  expect(checkDeviations(overdue)[0]).toMatch(/REF-H12-A" overdue/u);
  const failed = checksOf({ now: 1, policy, write: (l) => void l.checked(0, { ok: false }) });
  expect(readinessProblems(failed)).toHaveLength(1);
  expect(checkDeviations(failed)).toHaveLength(1); // the known-bad one, not run
  const sound = checksOf({
    now: 1,
    policy,
    write: (l) => {
      l.checked(0);
      l.checked(0, BAD);
    },
  });
  expect(checkDeviations(sound)).toEqual([]);
});

const other: ReferenceRegister = {
  ...REGISTER,
  items: [{ ...REGISTER.items[0], model: 'H06', serial: 'REF-H06-A' }],
};

const REGISTERS: readonly {
  readonly name: string;
  readonly register: ReferenceRegister | undefined;
  readonly required: boolean | undefined;
  readonly checks: readonly (readonly [name: string, state: Check['state']])[];
}[] = [
  { name: 'no register, none required', register: undefined, required: false, checks: [] },
  { name: 'no register, no policy', register: undefined, required: undefined, checks: [] },
  {
    name: 'no register, though required',
    ...{ register: undefined, required: true, checks: [['reference items', 'not run']] },
  },
  {
    name: 'a register without an item of the model, though required',
    ...{ register: other, required: true, checks: [['reference items', 'not run']] },
  },
  {
    name: 'a register without an item of the model, none required',
    ...{ register: other, required: false, checks: [] },
  },
  {
    name: 'a register with known-bad items only, though required',
    register: { ...REGISTER, items: [itemsOf(REGISTER, 'H12')[1] ?? REGISTER.items[0]] },
    required: true,
    checks: [
      ['reference items', 'not run'],
      ['reference item REF-H12-B', 'not run'],
    ],
  },
];

for (const { name, register, required, checks } of REGISTERS) {
  test(`${name}: ${checks.map(([check, state]) => `${check} ${state}`).join(', ') || 'no check'}`, () => {
    const reference = required === undefined ? {} : { reference: { ...POLICY, required } };
    const found = referenceChecks({
      register,
      station: { id: 'TW-1', kind: 'simulated', zone: 'UTC', checks: reference },
      model: 'H12',
      ledger: new WrittenLedger(),
      now: WrittenLedger.at(1),
    });
    expect(found.map((check) => [check.name, check.state])).toEqual(checks);
  });
}

test('a register without a policy of the bench is required, so that leaving the policy out is no way around', () => {
  const checks = referenceChecks({
    register: REGISTER,
    station: { id: 'TW-1', kind: 'simulated', zone: 'UTC' },
    model: 'H12',
    ledger: new WrittenLedger(),
    now: WrittenLedger.at(1),
  });
  expect(readinessProblems(checks)).toHaveLength(2);
});

test('an item of another model that failed locks the bench, and is otherwise not asked for', () => {
  const both: ReferenceRegister = { ...REGISTER, items: [REGISTER.items[0], other.items[0]] };
  const ledger = new WrittenLedger();
  ledger.checked(0);
  const situation: ReferenceSituation = {
    register: both,
    station: { id: 'TW-1', kind: 'simulated', zone: 'UTC', checks: { reference: POLICY } },
    model: 'H12',
    ledger,
    now: WrittenLedger.at(1),
  };
  expect(referenceChecks(situation).map(({ name }) => name)).toEqual(['reference item REF-H12-A']);
  ledger.checked(0.5, { item: 'REF-H06-A', ok: false });
  expect(referenceChecks(situation).map(({ state }) => state)).toEqual(['ok', 'failed']);
});

test('a reference item scanned as a product is refused with what it is; a product is not', () => {
  expect(referenceProblems('REF-H12-B', REGISTER)).toMatchObject([
    {
      code: 'reference/serial',
      what: expect.stringMatching(/^"REF-H12-B" is a reference item/u) as string,
      fix: expect.stringContaining('stallmark reference check REF-H12-B') as string,
    },
  ]);
  expect(referenceProblems('H12-26-00001', REGISTER)).toEqual([]);
  expect(referenceProblems('REF-H12-B', undefined)).toEqual([]);
});
