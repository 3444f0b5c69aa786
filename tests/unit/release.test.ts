import { expect, test } from 'vitest';
import type { Entry, NewEntry } from '../../src/ledger/ledger.js';
import { lastRecord, recordEntry, releaseOf, reworkSince } from '../../src/readiness/release.js';
import { attempt, ended, history, moved } from '../support/history.js';

const S = 'H12-26-04711';
const RELEASED = 'released for retest';
const release = (from: string, event: string, body: NewEntry['body'] = {}): NewEntry => {
  const entry = moved(S, event, from, RELEASED);
  return { ...entry, body: { ...entry.body, ...body } };
};
const rejected = attempt(S, 1, 'rejected');
const rework = moved(S, 'rework', 'rejected', 'in rework');
const part = { replaced: ['cover'], scope: ['sound'], carriedFrom: 'SIM-TW1-2026-000001' };

const scopes: readonly (readonly [string, readonly NewEntry[], unknown])[] = [
  ['never released', rejected, undefined],
  [
    'released in full',
    [...rejected, release('rejected', 'release', { scope: 'full' })],
    { kind: 'full' },
  ],
  [
    'released before scopes were entered',
    [...rejected, release('rejected', 'release')],
    { kind: 'full' },
  ],
  [
    'reworked, in part',
    [...rejected, rework, release('in rework', 'reworked', part)],
    { kind: 'stages', stages: ['sound'], record: 'SIM-TW1-2026-000001' },
  ],
  [
    'an attempt later, still in part',
    [...rejected, rework, release('in rework', 'reworked', part), ...attempt(S, 2, 'invalid')],
    { kind: 'stages', stages: ['sound'], record: 'SIM-TW1-2026-000001' },
  ],
  [
    'released once more without stages',
    [...rejected, rework, release('in rework', 'reworked', part), release(RELEASED, 'release')],
    { kind: 'full' },
  ],
  [
    'stages that are no list of names',
    [...rejected, rework, release('in rework', 'reworked', { ...part, scope: ['sound', 7] })],
    { kind: 'full' },
  ],
  [
    'stages without their record',
    [...rejected, rework, release('in rework', 'reworked', { ...part, carriedFrom: 3 })],
    { kind: 'full' },
  ],
];

for (const [name, entries, scope] of scopes) {
  test(`${name}: ${scope === undefined ? 'no release' : JSON.stringify(scope)}`, () => {
    expect(releaseOf(history(...entries))?.scope).toEqual(scope);
  });
}

const reworks: readonly (readonly [
  string,
  readonly NewEntry[],
  readonly string[],
  readonly number[],
])[] = [
  ['none', rejected, [], []],
  ['one', [...rejected, rework, release('in rework', 'reworked', part)], ['cover'], []],
  [
    'two',
    [
      ...rejected,
      rework,
      release('in rework', 'reworked', part),
      moved(S, 'rework', RELEASED, 'in rework'),
      release('in rework', 'reworked', { replaced: ['label', 'cover', 'motor'] }),
    ],
    ['cover', 'label', 'motor'],
    [],
  ],
  [
    'one left without a record',
    [...rejected, rework, moved(S, 'quarantine', 'in rework', 'quarantined')],
    [],
    [4],
  ],
  ['one that says nothing', [...rejected, rework, release('in rework', 'reworked')], [], [4]],
  [
    'a move that nobody can read',
    [...rejected, moved(S, 'bless', 'rejected', 'accepted')],
    [],
    [3],
  ],
];

for (const [name, entries, replaced, untold] of reworks) {
  test(`reworks since the record: ${name}`, () => {
    const told = history(...entries);
    expect(reworkSince(told, 2)).toEqual({ replaced, untold });
    expect(reworkSince(told, told.length)).toEqual({ replaced: [], untold: [] });
  });
}

test('records are found by number, and the last one is the last issued', () => {
  const issued = (n: number): NewEntry => {
    const entry = ended(S, n, 'rejected');
    return { ...entry, body: { ...entry.body, certificate: `TW1-2026-00000${String(n)}` } };
  };
  const told: readonly Entry[] = history(issued(1), issued(2), ended(S, 3, 'broken off'));
  expect(lastRecord(told)?.number).toBe(2);
  expect(recordEntry(told, 'TW1-2026-000001')?.number).toBe(1);
  expect(recordEntry(told, 'TW1-2026-000009')).toBeUndefined();
  expect(lastRecord([])).toBeUndefined();
});
