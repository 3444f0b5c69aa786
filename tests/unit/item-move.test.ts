import Database from 'better-sqlite3';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { auditLedger } from '../../src/ledger/audit.js';
import type { NewEntry } from '../../src/ledger/ledger.js';
import { ledgerOn, type LedgerFile } from '../../src/ledger/sqlite.js';
import { moveItem, readMove, type Wish } from '../../src/readiness/item-move.js';
import { statusOf } from '../../src/readiness/retest.js';
import { attempt, begun, history, moved } from '../support/history.js';

const S = 'H12-26-04711';
const NOW = Date.parse('2026-11-25T15:00:00Z');
const engineer = { by: 'Q. Engineer', roles: ['quality engineer'] as const };
const fitter = { by: 'A. Fitter', roles: ['maintenance'] as const };

function ledgerWith(...entries: readonly NewEntry[]): LedgerFile {
  const ledger = ledgerOn(new Database(':memory:'), ':memory:');
  for (const entry of entries) ledger.append(entry, NOW);
  return ledger;
}

const wish = (over: Partial<Wish>): Wish => ({
  ...{ serial: S, event: 'release', actor: engineer, why: 'clamp was loose' },
  ...over,
});
const stateOf = (entries: Parameters<typeof statusOf>[0]) => statusOf(entries, 2).state;
const move = (ledger: LedgerFile, over: Partial<Wish>) =>
  moveItem(ledger, wish(over), stateOf, NOW);

function codesOf(work: () => unknown): readonly string[] {
  try {
    work();
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
}

test('rejected, reworked by a fitter with a record, tested again: every step is in the ledger', () => {
  const ledger = ledgerWith(...attempt(S, 1, 'rejected'));
  move(ledger, { event: 'rework', why: 'friction too high' });
  expect(
    codesOf(() => move(ledger, { event: 'reworked', actor: fitter, why: 'new ones' })),
  ).toEqual(['usage/argument']);
  const rework = { replaced: ['bearings'], by: 'A. Fitter' };
  const entry = move(ledger, { event: 'reworked', actor: fitter, why: 'new ones', rework });
  expect(entry).toMatchObject({
    kind: 'item-moved',
    serial: S,
    attempt: 0,
    by: 'A. Fitter',
    body: {
      event: 'reworked',
      from: 'in rework',
      to: 'released for retest',
      why: 'new ones',
      role: 'maintenance',
      replaced: ['bearings'],
      reworkedBy: 'A. Fitter',
    },
  });
  expect(stateOf(ledger.of(S))).toBe('released for retest');
  expect(auditLedger(ledger.entries()).findings).toEqual([]);
});

test('an accepted item is taken from stock as an audit sample by an engineer with a reason', () => {
  const ledger = ledgerWith(...attempt(S, 1, 'accepted'));
  expect(codesOf(() => move(ledger, { event: 'audit', actor: fitter, why: ' ' }))).toEqual([
    'people/role',
    'usage/argument',
  ]);
  const entry = move(ledger, { event: 'audit', why: 'audit of November' });
  expect(entry.body).toMatchObject({ event: 'audit', from: 'accepted', why: 'audit of November' });
  expect(readMove(entry)?.event).toBe('audit');
  expect(stateOf(ledger.of(S))).toBe('released for retest');
  expect(codesOf(() => move(ledger, { event: 'audit', why: 'again' }))).toEqual(['serial/state']);
});

const part = { kind: 'stages', stages: ['sound'], record: 'SIM-TW1-2026-000001' } as const;
const inRework = [...attempt(S, 1, 'rejected'), moved(S, 'rework', 'rejected', 'in rework')];
const cover = { event: 'reworked', rework: { replaced: ['cover'], by: 'A. Fitter' } } as const;

test('a release enters its scope, with the record from which other rows are carried over', () => {
  const ledger = ledgerWith(...inRework);
  const entry = move(ledger, { ...cover, scope: part });
  expect(entry.body).toMatchObject({ scope: ['sound'], carriedFrom: 'SIM-TW1-2026-000001' });
  expect(readMove(entry)).toMatchObject({ replaced: ['cover'], scope: part });
  const full = move(ledgerWith(...inRework), cover);
  expect(full.body).toMatchObject({ scope: 'full' });
  expect(full.body).not.toHaveProperty('carriedFrom');
});

test('a partial retest is refused with everything that stands against it', () => {
  const hindrances = [{ code: 'serial/state', what: 'x', fix: 'y' }] as const;
  const ledger = ledgerWith(...inRework);
  const by = (over: Partial<Wish>) =>
    codesOf(() => move(ledger, { ...cover, scope: part, ...over }));
  expect(by({ actor: fitter })).toEqual(['people/role']);
  expect(by({ scope: { ...part, stages: [] } })).toEqual(['usage/argument']);
  expect(by({ actor: fitter, hindrances })).toEqual(['people/role', 'serial/state']);
  const rejected = ledgerWith(...attempt(S, 1, 'rejected'));
  expect(codesOf(() => move(rejected, { scope: part }))).toEqual(['usage/argument']);
});

test('a concession is entered with its signature', () => {
  const ledger = ledgerWith(...attempt(S, 1, 'rejected'));
  const refused = codesOf(() => move(ledger, { event: 'concede', why: 'customer agreed' }));
  expect(refused).toEqual(['usage/argument']);
  move(ledger, { event: 'concede', why: 'customer agreed', signature: '41' });
  expect(ledger.last()?.body).toMatchObject({ signature: '41', to: 'accepted by concession' });
});

const refusals: readonly (readonly [
  string,
  readonly NewEntry[],
  Partial<Wish>,
  readonly string[],
])[] = [
  [
    'an operator releases',
    attempt(S, 1, 'rejected'),
    { actor: { by: 'O', roles: ['operator'] } },
    ['people/role'],
  ],
  ['no reason', attempt(S, 1, 'rejected'), { why: '' }, ['usage/argument']],
  ['a running attempt', [begun(S, 1)], { event: 'quarantine' }, ['serial/state']],
  [
    'a scrapped item',
    [...attempt(S, 1, 'rejected'), moved(S, 'scrap', 'rejected', 'scrapped')],
    {},
    ['serial/state'],
  ],
  ['a begin by hand', [], { event: 'begin' }, ['serial/state']],
  [
    'an unknown component',
    [...attempt(S, 1, 'rejected'), moved(S, 'rework', 'rejected', 'in rework')],
    { event: 'reworked', rework: { replaced: ['bearing', 'label'], by: 'A. Fitter' } },
    ['usage/argument'],
  ],
];

for (const [name, entries, over, codes] of refusals) {
  test(`${name}: ${codes.join(', ')}, and nothing is entered`, () => {
    const ledger = ledgerWith(...entries);
    expect(codesOf(() => move(ledger, over))).toEqual(codes);
    expect([...ledger.entries()]).toHaveLength(entries.length);
  });
}

test('two engineers at once: the second is judged by what the first has done', () => {
  const ledger = ledgerWith(...attempt(S, 1, 'rejected'));
  move(ledger, { event: 'scrap' });
  expect(codesOf(() => move(ledger, { event: 'release' }))).toEqual(['serial/state']);
});

test('a serial with letters and marks apart is moved under its one name', () => {
  const [whole, apart] = ['H12-Ä1', 'H12-A\u03081'];
  const ledger = ledgerWith(...attempt(whole, 1, 'rejected'));
  expect(move(ledger, { serial: apart }).serial).toBe(whole);
});

const bodies: readonly (readonly [string, NewEntry['body'], boolean])[] = [
  [
    'as it is written',
    { event: 'release', from: 'rejected', to: 'released for retest', why: 'x' },
    true,
  ],
  ['an event nobody knows', { event: 'bless', from: 'rejected', to: 'accepted', why: 'x' }, false],
  ['a state nobody knows', { event: 'release', from: 'rejected', to: 'blessed', why: 'x' }, false],
  ['a way the table does not know', { event: 'release', from: 'rejected', to: 'accepted' }, false],
  ['numbers for words', { event: 1, from: 2, to: 3 }, false],
];

for (const [name, body, isRead] of bodies) {
  test(`${name} is ${isRead ? '' : 'not '}read back`, () => {
    const [entry] = history({ kind: 'item-moved', serial: S, attempt: 0, by: 'x', body });
    expect(entry === undefined ? false : readMove(entry) !== undefined).toBe(isRead);
  });
}
