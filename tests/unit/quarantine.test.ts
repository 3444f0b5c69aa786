import Database from 'better-sqlite3';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { Component } from '../../src/bench/bench.js';
import type { Entry, NewEntry } from '../../src/ledger/ledger.js';
import { ledgerOn, type LedgerFile } from '../../src/ledger/sqlite.js';
import type { Role } from '../../src/people/people.js';
import {
  builtInProblems,
  liftQuarantine,
  quarantineLine,
  quarantineProblems,
  quarantines,
  setQuarantine,
  type Examined,
  type Held,
} from '../../src/readiness/quarantine.js';
import { history } from '../support/history.js';

const NOW = Date.parse('2026-11-25T14:00:00Z');
const MODELS = [
  {
    code: 'H12',
    name: 'H12 console helm',
    gtin: '09520123401207',
    revision: 'C3',
    serial: '^H12-[0-9]{2}-[0-9]{5}$',
  },
  { code: 'H08', name: 'H08', gtin: '09520123400682', revision: 'A1', serial: '^H08-[0-9]{5,6}$' },
];
const engineer = { by: 'Q. Engineer', roles: ['quality engineer'] as readonly Role[] };

const memory = (): LedgerFile => ledgerOn(new Database(':memory:'), ':memory:');

function set(held: Held, ledger = memory()): readonly Entry[] {
  const order = { held, why: 'Glue of batch 7 lets go.', contact: 'R. Dunmallard, 4410' };
  setQuarantine(ledger, { ...order, actor: engineer }, MODELS, NOW);
  return ledger.of('');
}

const item = (over: Partial<Examined> = {}): Examined => ({
  ...{ serial: 'H12-26-04711', model: 'H12', lot: 'L7', attempts: [] },
  ...over,
});
const testedAt = (bench: string, begun: string): Examined => item({ attempts: [{ bench, begun }] });

const motor = (serial: string): Component => ({ kind: 'motor', serial });

const serials: Held = { kind: 'serials', from: 'H12-26-04700', to: 'H12-26-04799' };
const lot: Held = { kind: 'lot', lot: 'L7', model: 'H12' };
const component: Held = { kind: 'component', component: 'motor', serial: 'M-0815', model: 'H12' };
const bench: Held = {
  ...{ kind: 'bench', bench: 'TW-2' },
  from: Date.parse('2026-11-24T06:00:00Z'),
  to: Date.parse('2026-11-24T14:00:00Z'),
};

const cases: readonly (readonly [name: string, Held, Examined, reason: string | undefined])[] = [
  [
    'first serial of the range',
    serials,
    item({ serial: 'H12-26-04700' }),
    'serials H12-26-04700 to H12-26-04799 are',
  ],
  [
    'last serial of the range',
    serials,
    item({ serial: 'H12-26-04799' }),
    'serials H12-26-04700 to H12-26-04799 are',
  ],
  ['serial before the range', serials, item({ serial: 'H12-26-04699' }), undefined],
  ['serial after the range', serials, item({ serial: 'H12-26-04800' }), undefined],
  [
    'longer serial that sorts into the range',
    serials,
    item({ serial: 'H12-26-047110' }),
    undefined,
  ],
  ['serial of another year', serials, item({ serial: 'H12-27-04711' }), undefined],
  ['its lot', lot, item(), 'lot L7 is'],
  ['another lot', lot, item({ lot: 'L8' }), undefined],
  ['the lot of another model', lot, item({ model: 'H08' }), undefined],
  ['a label without a lot', lot, item({ lot: undefined }), 'its label names no lot, and lot L7 is'],
  ['its motor', component, item({ components: [motor('M-0815')] }), 'its motor M-0815 is'],
  ['another motor', component, item({ components: [motor('M-0816')] }), undefined],
  [
    'the second of two motors',
    component,
    item({ components: [motor('M-0816'), motor('M-0815')] }),
    'its motor M-0815 is',
  ],
  [
    'the same number on a drive',
    component,
    item({ components: [motor('M-0816'), { kind: 'drive', serial: 'M-0815' }] }),
    undefined,
  ],
  ['an item that was not asked yet', component, item(), undefined],
  [
    'an item that does not tell',
    component,
    item({ components: [] }),
    'it does not tell its motor, and motor M-0815 is',
  ],
  [
    'tested there at the first instant',
    bench,
    testedAt('TW-2', '2026-11-24T06:00:00.000Z'),
    'what was tested at TW-2 from 2026-11-24T06:00:00Z to 2026-11-24T14:00:00Z is',
  ],
  [
    'tested there at the last instant',
    bench,
    testedAt('TW-2', '2026-11-24T14:00:00.000Z'),
    'what was tested at TW-2 from 2026-11-24T06:00:00Z to 2026-11-24T14:00:00Z is',
  ],
  ['tested there 1 ms later', bench, testedAt('TW-2', '2026-11-24T14:00:00.001Z'), undefined],
  ['tested elsewhere then', bench, testedAt('TW-1', '2026-11-24T10:00:00.000Z'), undefined],
  ['never tested', bench, item(), undefined],
];

for (const [name, held, examined, reason] of cases) {
  test(`${held.kind}, ${name}: ${reason === undefined ? 'free' : 'held back'}`, () => {
    const found = quarantineProblems(examined, set(held));
    const what = `Item ${examined.serial} is in quarantine 1 of 2026-11-25: ${reason ?? ''}. Glue of batch 7 lets go.`;
    expect(found.map((p) => p.what)).toEqual(reason === undefined ? [] : [what]);
    expect(found.map((p) => p.fix)).toEqual(
      reason === undefined ? [] : ['Set it aside and ask R. Dunmallard, 4410.'],
    );
  });
  test(`${held.kind} reads back from the ledger as it was set (${name})`, () => {
    expect(quarantines(set(held)).map((q) => q.held)).toEqual([held]);
  });
}

function codesOf(work: () => unknown): readonly string[] {
  try {
    work();
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
}

test('a lifted quarantine holds nothing back; another one stays', () => {
  const ledger = memory();
  set(serials, ledger);
  set(lot, ledger);
  const lift = { number: 1, why: 'sorted', actor: engineer };
  liftQuarantine(ledger, lift, NOW);
  expect(quarantines(ledger.of('')).map(({ entry }) => entry)).toEqual([2]);
  expect(codesOf(() => liftQuarantine(ledger, lift, NOW))).toEqual(['usage/argument']);
  expect(codesOf(() => liftQuarantine(ledger, { ...lift, number: 3 }, NOW))).toEqual([
    'usage/argument',
  ]);
  expect(ledger.of('')).toHaveLength(3);
});

for (const role of ['operator', 'maintenance', 'auditor'] as const) {
  test(`a ${role} neither sets nor lifts a quarantine`, () => {
    const ledger = memory();
    const actor = { by: 'P. Person', roles: [role] };
    const order = { held: lot, why: 'w', contact: 'c', actor };
    expect(codesOf(() => setQuarantine(ledger, order, MODELS, NOW))).toEqual(['people/role']);
    set(lot, ledger);
    expect(codesOf(() => liftQuarantine(ledger, { number: 1, why: 'w', actor }, NOW))).toEqual([
      'people/role',
    ]);
    expect(quarantines(ledger.of(''))).toHaveLength(1);
  });
}

const wrongs: readonly (readonly [string, Held])[] = [
  ['the upper serial first', { ...serials, from: 'H12-26-04799', to: 'H12-26-04700' }],
  ['serials of two models', { ...serials, to: 'H08-04799' }],
  ['serials of two lengths', { kind: 'serials', from: 'H08-00001', to: 'H08-000019' }],
  ['no serials', { kind: 'serials', from: '', to: '' }],
  ['a lot of no model', { ...lot, model: '' }],
  ['a component of an unknown model', { ...component, model: 'H15' }],
  ['a component that no item tells', { ...component, component: 'moter' }],
  ['a time that ends before it begins', { ...bench, to: Date.parse('2026-11-24T05:59:59Z') }],
  ['a time that cannot be read', { ...bench, from: NaN, to: NaN }],
];

for (const [name, held] of wrongs) {
  test(`${name} is refused, and nothing is entered`, () => {
    const ledger = memory();
    expect(codesOf(() => set(held, ledger))).toEqual(['usage/argument']);
    expect(ledger.last()).toBeUndefined();
  });
}

test('a component by a wrong name and of a wrong model: both are told, with the right name', () => {
  const held = { ...component, component: 'moter', model: 'H15' };
  try {
    set(held);
    throw new Error('it was entered');
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    expect(error.problems.map(({ what }) => what)).toEqual([
      'There is no model "H15"; there are: H12, H08.',
      'Items do not tell the serial of their moter; they tell: motor, drive, encoder.',
    ]);
    expect(error.problems[1]?.fix).toBe('Write "motor".');
  }
});

test('for the components alone: other quarantines, and those of other models, hold nothing back', () => {
  const told = { serial: 'H12-26-04711', model: 'H12', components: [motor('M-0815')] };
  expect(builtInProblems(told, set(lot))).toEqual([]);
  expect(builtInProblems(told, set(serials))).toEqual([]);
  expect(builtInProblems({ ...told, model: 'H08' }, set(component))).toEqual([]);
  expect(builtInProblems({ ...told, components: [motor('M-1')] }, set(component))).toEqual([]);
  const found = [told, { ...told, components: [] }].map((one) =>
    builtInProblems(one, set(component)).map(({ what }) => what),
  );
  const says = (hold: string): string =>
    `Item H12-26-04711 is in quarantine 1 of 2026-11-25: ${hold}. Glue of batch 7 lets go.`;
  expect(found).toEqual([
    [says('its motor M-0815 is')],
    [says('it does not tell its motor, and motor M-0815 is')],
  ]);
});

test('reason and contact must be there', () => {
  const order = { held: lot, why: ' ', contact: '', actor: engineer };
  expect(codesOf(() => setQuarantine(memory(), order, MODELS, NOW))).toEqual([
    'usage/argument',
    'usage/argument',
  ]);
});

test('a quarantine that cannot be read holds every item back', () => {
  const body = { what: 'quarantine', kind: 'sorcery', why: 'w', contact: 'c' };
  const entry: NewEntry = { kind: 'changed', serial: '', attempt: 0, by: 'x', body };
  const found = quarantineProblems(item(), history(entry));
  expect(found.map((p) => p.code)).toEqual(['serial/quarantined']);
  expect(quarantines(history(entry)).map(quarantineLine)).toEqual([
    '     1  2026-11-25T14:00Z  unreadable: w (set by x; ask c)',
  ]);
});
