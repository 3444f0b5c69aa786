import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { readInstant } from '../../src/base/clock.js';
import type { Gate } from '../../src/capture/gate.js';
import { confirmClock, type NewEntry } from '../../src/ledger/ledger.js';
import { ledgerOn, type LedgerFile } from '../../src/ledger/sqlite.js';
import type { Role } from '../../src/people/people.js';
import { checkBench } from '../../src/procedure/meaning.js';
import type { ReferenceRegister } from '../../src/procedure/reference-items.js';
import type { RegisteredInstrument, Station } from '../../src/procedure/station.js';
import { Values } from '../../src/procedure/values.js';
import { readYaml } from '../../src/procedure/yaml.js';
import {
  enterIntermediate,
  intermediateChecks,
  readIntermediate,
  shuntBody,
} from '../../src/readiness/intermediate-check.js';
import { referenceBody } from '../../src/readiness/reference-entry.js';
import { PACKAGE_ROOT } from '../../src/run/documents.js';

const DAY = 86_400_000;
const CALIBRATED = '2026-05-18';
/** So many days after the calibration, at noon. */
const after = (days: number): number => readInstant(`${CALIBRATED}T12:00:00Z`) + days * DAY;

const TT: RegisteredInstrument = {
  ...{ id: 'TT-204', what: 'torque transducer', serial: '1', quantity: 'torque', range: '20' },
  intermediateCheck: 90,
  calibrations: [
    {
      ...{ certificate: 'SL-1', laboratory: 'Saltmere', calibrated: CALIBRATED },
      ...{ due: '2036-05-18', inService: CALIBRATED, uncertainty: '1 %' },
    },
  ],
};
const DG: RegisteredInstrument = { ...TT, id: 'DG-3', what: 'digitizer' };
/** Calibrated anew on day 65, and in service with that from day 75 on. */
const ANEW: RegisteredInstrument['calibrations'] = [
  TT.calibrations[0],
  {
    ...{ certificate: 'SL-2', laboratory: 'Saltmere', calibrated: '2026-07-22' },
    ...{ due: '2036-07-22', inService: '2026-08-01', uncertainty: '1 %' },
  },
];

function stationWith(over: Partial<RegisteredInstrument> = {}, required = true): Station {
  const station = {
    ...{ id: 'TW-1', kind: 'simulated', zone: 'UTC' },
    checks: { intermediate: { required } },
    register: [{ ...TT, ...over }],
  };
  return station as unknown as Station;
}

const references = {
  items: [
    { serial: 'REF-A', kind: 'good' },
    { serial: 'REF-B', kind: 'known-bad' },
  ],
} as unknown as ReferenceRegister;

const engineer = { by: 'R. Dunmallard', roles: ['quality engineer'] as readonly Role[] };
const memory = (): LedgerFile => ledgerOn(new Database(':memory:'), ':memory:');

type Entering = (ledger: LedgerFile, now: number) => unknown;

const person =
  (ok: boolean, over: { readonly instrument?: string; readonly bench?: string } = {}): Entering =>
  (ledger, now) => {
    const { instrument = 'TT-204', bench = 'TW-1' } = over;
    const station = { ...stationWith(), id: bench, register: [TT, DG] as const };
    const why = ok ? 'weight of 5 kg found again' : 'reads 3 % low';
    return enterIntermediate(ledger, { station, instrument, ok, why, actor: engineer }, now);
  };
const reference =
  (ok: boolean, over: { readonly item?: string; readonly bench?: string } = {}): Entering =>
  (ledger, now) => {
    const { item = 'REF-A', bench = 'TW-1' } = over;
    const found = {
      ...{
        bench,
        simulated: true,
        item,
        kind: item === 'REF-A' ? ('good' as const) : ('known-bad' as const),
      },
      ...{ cycle: 1, assigned: CALIBRATED, ok, reason: '', values: [], named: [], suspects: [] },
    } as const;
    const body = referenceBody(found, {});
    return ledger.append({ kind: 'bench-checked', serial: item, attempt: 0, by: 'x', body }, now);
  };
const gate = (id: string, holds: boolean): Gate => ({ id, holds }) as Gate;
const shunt =
  (
    holds: boolean,
    over: { readonly bench?: string; readonly simulated?: boolean } = {},
  ): Entering =>
  (ledger, now) => {
    const { bench = 'TW-1', simulated = true } = over;
    const body = { simulated, ...shuntBody(bench, [gate('shunt', holds), gate('close', true)]) };
    const entry: NewEntry = { kind: 'record-issued', serial: 'S', attempt: 1, by: 'x', body };
    return ledger.append(entry, now);
  };
const clockBack: Entering = (ledger, now) => confirmClock(ledger, 'x', 'battery', now);

interface Case {
  readonly name: string;
  readonly by?: 'reference' | 'shunt';
  /** Calibrated a second time. */
  readonly anew?: true;
  /** What was entered, each so many days after the calibration. */
  readonly entered?: readonly (readonly [day: number, Entering])[];
  readonly now: number;
  readonly is: string;
  readonly says?: RegExp;
}

const CASES: readonly Case[] = [
  { name: 'calibrated just now', now: 0, is: 'ok', says: /calibrated 2026-05-18/u },
  { name: 'day 78 of 90', now: 78, is: 'ok' },
  { name: 'day 79 of 90: an eighth is left', now: 79, is: 'due soon', says: /by 2026-08-16/u },
  { name: 'the last day', now: 90, is: 'due soon' },
  { name: 'the day after it', now: 91, is: 'overdue' },
  {
    name: 'checked by a person meanwhile',
    entered: [[60, person(true)]],
    now: 91,
    is: 'ok',
    says: /^checked 2026-07-17, entry 1; due every 90 days, by 2026-10-15$/u,
  },
  {
    name: 'checked by a person too long ago',
    entered: [[60, person(true)]],
    now: 151,
    is: 'overdue',
  },
  {
    name: 'another instrument was checked',
    entered: [[60, person(true, { instrument: 'DG-3' })]],
    now: 91,
    is: 'overdue',
  },
  {
    name: 'it was checked at another bench',
    entered: [[60, person(true, { bench: 'TW-2' })]],
    now: 91,
    is: 'overdue',
  },
  {
    name: 'found to be off',
    entered: [[60, person(false)]],
    now: 61,
    is: 'failed',
    says: /entry 1 of .* by R\. Dunmallard: reads 3 % low/u,
  },
  {
    name: 'found to be off before it was calibrated',
    entered: [[-1, person(false)]],
    now: 61,
    is: 'ok',
  },
  {
    name: 'found to be off on the day of its calibration: nobody knows in which order',
    entered: [[0, person(false)]],
    now: 61,
    is: 'failed',
  },
  {
    name: 'found to be off, and the new calibration is not in service yet',
    anew: true,
    entered: [[60, person(false)]],
    now: 74,
    is: 'failed',
    says: /reads 3 % low/u,
  },
  {
    name: 'found to be off, and the new calibration is in service',
    anew: true,
    entered: [[60, person(false)]],
    now: 75,
    is: 'ok',
    says: /^not checked since it was off in entry 1; calibrated 2026-07-22; due every 90 days, by 2026-10-20$/u,
  },
  {
    name: 'a new calibration was in service in time',
    anew: true,
    now: 92,
    is: 'ok',
    says: /calibrated 2026-07-22/u,
  },
  {
    name: 'found to be off, then to hold',
    entered: [
      [60, person(false)],
      [61, person(true)],
    ],
    now: 62,
    is: 'ok',
  },
  {
    name: 'found to be off, and a shunt does not clear that',
    by: 'shunt',
    entered: [
      [60, person(false)],
      [61, shunt(true)],
    ],
    now: 62,
    is: 'failed',
  },
  {
    name: 'a reference item held',
    by: 'reference',
    entered: [[80, reference(true)]],
    now: 100,
    is: 'ok',
    says: /reference item REF-A held/u,
  },
  {
    name: 'a reference item held, which does not count here',
    entered: [[80, reference(true)]],
    now: 100,
    is: 'overdue',
  },
  {
    name: 'a reference item did not hold',
    by: 'reference',
    entered: [[80, reference(false)]],
    now: 100,
    is: 'overdue',
  },
  {
    name: 'a known-bad item was rejected, which proves no instrument',
    by: 'reference',
    entered: [[80, reference(true, { item: 'REF-B' })]],
    now: 100,
    is: 'overdue',
  },
  {
    name: 'a reference item held at another bench',
    by: 'reference',
    entered: [[80, reference(true, { bench: 'TW-2' })]],
    now: 100,
    is: 'overdue',
  },
  {
    name: 'the shunt was found again',
    by: 'shunt',
    entered: [[80, shunt(true)]],
    now: 100,
    is: 'ok',
  },
  {
    name: 'the shunt was found again on the first day of the interval',
    by: 'shunt',
    entered: [[80, shunt(true)]],
    now: 170,
    is: 'due soon',
  },
  {
    name: 'the shunt was found again too long ago',
    by: 'shunt',
    entered: [[80, shunt(true)]],
    now: 171,
    is: 'overdue',
  },
  {
    name: 'the shunt was not found again',
    by: 'shunt',
    entered: [[80, shunt(false)]],
    now: 100,
    is: 'overdue',
  },
  {
    name: 'the shunt of a real bench of this name',
    by: 'shunt',
    entered: [[80, shunt(true, { simulated: false })]],
    now: 100,
    is: 'overdue',
  },
  {
    name: 'checked, and then the clock was set back',
    entered: [
      [100, person(true)],
      [95, clockBack],
    ],
    now: 101,
    is: 'overdue',
    says: /the clock was set back since checked 2026-08-26/u,
  },
  {
    name: 'checked on a day that is still to come',
    entered: [[120, person(true)]],
    now: 100,
    is: 'overdue',
    says: /still to come by this clock/u,
  },
];

describe.each(CASES)('$name', ({ by, anew, entered = [], now, is, says = /./u }) => {
  test(`is ${is}`, () => {
    const ledger = memory();
    for (const [day, enter] of entered) enter(ledger, after(day));
    const station = stationWith({
      ...(by === undefined ? {} : { checkedBy: by }),
      ...(anew === undefined ? {} : { calibrations: ANEW }),
    });
    const [check, ...more] = intermediateChecks({ station, references, ledger, now: after(now) });
    expect(check?.name).toBe('intermediate check of torque transducer TT-204');
    expect(check?.state, check?.found).toBe(is);
    expect(check?.found).toMatch(says);
    expect(check?.blocks).toBeUndefined();
    expect(more).toEqual([]);
  });
});

test('an instrument without an interval is not judged', () => {
  const { id, what, serial, quantity, range, calibrations } = TT;
  const plain = { id, what, serial, quantity, range, calibrations };
  const station = { ...stationWith(), register: [plain] as const };
  expect(intermediateChecks({ station, references, ledger: memory(), now: after(999) })).toEqual(
    [],
  );
});

test('where the bench does not require them, what is overdue is told, and what is off still blocks', () => {
  const ledger = memory();
  const station = stationWith({}, false);
  const at = (days: number): boolean | undefined =>
    intermediateChecks({ station, references, ledger, now: after(days) })[0]?.blocks;
  expect(at(91)).toBe(false);
  person(false)(ledger, after(92));
  expect(at(93)).toBeUndefined();
});

test('a bench that says nothing requires them', () => {
  const { id, kind, zone, register } = stationWith();
  const station = { id, kind, zone, register };
  const [check] = intermediateChecks({ station, references, ledger: memory(), now: after(91) });
  expect(check).toMatchObject({ state: 'overdue' });
  expect(check?.blocks).toBeUndefined();
});

// No other kind of bench can be read yet; the rule must be there before one can.
const POLICY = '  intermediate: { required: false }\n';
const REAL: readonly (readonly [name: string, policy: string, isRefused: boolean])[] = [
  ['says false', POLICY, true],
  ['says nothing', '', false],
  ['says true', POLICY.replace('false', 'true'), false],
];
test.each(REAL)('a bench that is not simulated and %s', (_, policy, isRefused) => {
  const text = readFileSync(join(PACKAGE_ROOT, 'procedures/benches/tw-1.yaml'), 'utf8');
  expect(text).toContain(POLICY);
  const real = text.replace('kind: simulated', 'kind: wired').replace(POLICY, policy);
  const { located } = readYaml(real, 'b.yaml');
  if (located === undefined) throw new Error('the bench is no YAML');
  const values = new Values(located);
  checkBench(values);
  const told = values.problems.map(({ what }) => what).join();
  expect(told.includes('must require intermediate checks')).toBe(isRefused);
});

test('a run without a shunt tells nothing of one', () => {
  expect(shuntBody('TW-1', [gate('close', true)])).toEqual({});
  expect(shuntBody('TW-1', [gate('shunt', true), gate('shunt', false)])).toEqual({
    shunt: { bench: 'TW-1', holds: false },
  });
});

test('a check reads back as it was entered, and what does not say that it holds is off', () => {
  const ledger = memory();
  person(true)(ledger, after(1));
  const [entry] = ledger.of('');
  if (entry === undefined) throw new Error('nothing was entered');
  expect(readIntermediate(entry)).toEqual({
    ...{ bench: 'TW-1', simulated: true, instrument: 'TT-204', ok: true },
    ...{ why: 'weight of 5 kg found again', entry: 1, at: '2026-05-19T12:00:00.000Z' },
    by: 'R. Dunmallard',
  });
  const body = { ...entry.body, ok: 'yes', simulated: 'no' };
  expect(readIntermediate({ ...entry, body })).toMatchObject({ ok: false, simulated: true });
  expect(readIntermediate({ ...entry, body: { ...body, instrument: 5 } })).toBeUndefined();
  expect(readIntermediate({ ...entry, kind: 'note' })).toBeUndefined();
});

test('everything that is wrong with an entry is told at once, and nothing is entered', () => {
  const ledger = memory();
  const actor = { by: 'op 17', roles: ['operator'] as readonly Role[] };
  const order = { station: stationWith(), instrument: 'TT-240', ok: true, why: ' ', actor };
  try {
    enterIntermediate(ledger, order, after(1));
    throw new Error('it was entered');
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    const codes = error.problems.map(({ code }) => code);
    expect(codes).toEqual(['people/role', 'usage/argument', 'usage/argument']);
    expect(error.problems[2]?.fix).toContain('TT-204');
  }
  expect(ledger.last()).toBeUndefined();
});

test.each(['maintenance', 'quality engineer'] as const)('%s may enter one', (role) => {
  const actor = { by: 'x', roles: [role] };
  const order = { station: stationWith(), instrument: 'TT-204', ok: true, why: 'held', actor };
  expect(enterIntermediate(memory(), order, after(1)).body).toMatchObject({ ok: true });
});
