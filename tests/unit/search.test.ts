import { existsSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { expect, test } from 'vitest';
import type { NewEntry } from '../../src/ledger/ledger.js';
import type { FoundLine, LineWish } from '../../src/ledger/search-line.js';
import { search, searchFor, type Searched } from '../../src/ledger/search.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { followEntry } from '../../src/readiness/attempt-index.js';
import { referenceBody } from '../../src/readiness/reference-entry.js';
import { temporaryFolder } from '../support/folder.js';
import { attempt, begun, ended, moved } from '../support/history.js';

const START = Date.parse('2026-11-25T14:00:00.000Z');
const HOUR = 3_600_000;

/** A ledger whose entries are an hour apart. */
function ledgerOf(...entries: readonly NewEntry[]): Searched {
  const folder = temporaryFolder();
  const searched = { ledger: join(folder, 'ledger.db'), index: join(folder, 'index.db') };
  add(searched.ledger, 0, entries);
  return { ...searched, follow: followEntry };
}

function add(file: string, from: number, entries: readonly NewEntry[]): void {
  const ledger = openLedger(file);
  for (const [i, entry] of entries.entries()) ledger.append(entry, START + (from + i) * HOUR);
  ledger.close();
}

const found = (searched: Searched, wish: LineWish = {}): Promise<readonly FoundLine[]> =>
  search(searched, (lookup) => lookup.find(wish, 0, 100).lines);

const number = (n: number): NewEntry['body'] => ({ certificate: `TW1-2026-00000${n}` });
const issued = (serial: string, n: number, word: string, revision = 0): NewEntry => ({
  ...ended(serial, n, 'accepted'),
  body: { ...number(n), verdict: word, outcome: 'conforming', reason: word, revision },
});
const refusal: NewEntry = {
  kind: 'refused',
  serial: 'H12-26-04713',
  attempt: 0,
  by: 'op-18',
  body: {
    what: 'start',
    bench: 'TW-1',
    problems: [{ code: 'bench/interlock', what: 'The guard is open.' }],
  },
};
const failed = (entry: number, serial: string): NewEntry => ({
  kind: 'bench-checked',
  ...{ serial: '', attempt: 0, by: 'op-17' },
  body: referenceBody(
    {
      ...{ bench: 'TW-1', simulated: true, item: 'REF-H12-A', kind: 'good', cycle: 1 },
      ...{ assigned: '2026-11-01', ok: false, reason: 'gain', values: [], named: [] },
      suspects: [{ serial, attempt: 1, certificate: '', entry }],
    },
    {},
  ),
});

/** Entries 1 … 9: accepted, rejected, broken off, refused, one that goes on. */
const EVERYTHING: readonly NewEntry[] = [
  begun('H12-26-04711', 1, number(1)),
  issued('H12-26-04711', 1, 'ACCEPT'),
  begun('H12-26-04712', 1, number(2)),
  issued('H12-26-04712', 1, 'REJECT'),
  begun('Q7-26-00001', 1, number(3)),
  ended('Q7-26-00001', 1, 'broken off'),
  refusal,
  { ...begun('H12-26-04714', 1, number(4)), by: 'op-18' },
];

const WISHES: readonly (readonly [what: string, wish: LineWish, entries: readonly number[]])[] = [
  ['everything, newest first', {}, [8, 7, 5, 3, 1]],
  ['part of a serial', { text: '0471' }, [8, 7, 3, 1]],
  ['small letters', { text: 'q7-26' }, [5]],
  ['the number of a record', { text: 'TW1-2026-000002' }, [3]],
  ['a text that is SQL', { text: "' OR 1=1 --" }, []],
  ['a model', { model: 'Q7' }, [5]],
  ['a verdict', { verdict: 'REJECT' }, [3]],
  ['an operator', { operator: 'op-18' }, [8, 7]],
  ['from an instant', { from: '2026-11-25T18:00:00Z' }, [8, 7, 5]],
  ['to a day, which counts whole', { to: '2026-11-25' }, [8, 7, 5, 3, 1]],
  ['to the day before', { to: '2026-11-24' }, []],
  ['refused', { state: 'refused' }, [7]],
  ['broken off', { state: 'broken off' }, [5]],
  ['not ended', { state: 'not ended' }, [8]],
  ['suspect', { state: 'suspect' }, []],
  ['two wishes at once', { verdict: 'ACCEPT', text: '04712' }, []],
];

for (const [what, wish, entries] of WISHES) {
  test(`finds ${what}`, async () => {
    const lines = await found(ledgerOf(...EVERYTHING), wish);
    expect(lines.map(({ entry }) => entry)).toEqual(entries);
  });
}

test('a line tells how an attempt ended, a refusal why', async () => {
  const [, refused, aborted, , accepted] = await found(ledgerOf(...EVERYTHING));
  expect(accepted).toMatchObject({ word: 'ACCEPT', certificate: 'TW1-2026-000001', ending: 2 });
  expect(aborted).toMatchObject({ word: 'broken off', reason: 'stopped', ending: 6 });
  expect(refused).toMatchObject({ kind: 'refused', attempt: 0, reason: 'The guard is open.' });
});

test('pages and the total', async () => {
  const searched = ledgerOf(...EVERYTHING);
  const page = (wish: LineWish, from: number): Promise<readonly [number, readonly number[]]> =>
    search(searched, (lookup) => {
      const { total, lines } = lookup.find(wish, from, 2);
      return [total, lines.map(({ entry }) => entry)] as const;
    });
  expect(await page({}, 0)).toEqual([5, [8, 7]]);
  expect(await page({}, 4)).toEqual([5, [1]]);
  expect(await page({ model: 'H12' }, 2)).toEqual([4, [3, 1]]);
});

test('a record is suspect from a failed check until a person decides on its item', async () => {
  const searched = ledgerOf(...attempt('H12-26-04711', 1, 'accepted'), failed(2, 'H12-26-04711'));
  expect(await found(searched, { state: 'suspect' })).toMatchObject([{ entry: 1, suspect: 3 }]);
  add(searched.ledger, 3, [moved('H12-26-04711', 'quarantine', 'accepted', 'quarantined')]);
  expect(await found(searched, { state: 'suspect' })).toHaveLength(1);
  add(searched.ledger, 4, [moved('H12-26-04711', 'release', 'quarantined', 'released for retest')]);
  expect(await found(searched, { state: 'suspect' })).toEqual([]);
});

test('a later revision is a line of its own and supersedes the earlier one', async () => {
  const searched = ledgerOf(
    begun('H12-26-04711', 1, number(1)),
    issued('H12-26-04711', 1, 'ACCEPT'),
    issued('H12-26-04711', 1, 'HOLD', 1),
  );
  expect(await found(searched)).toMatchObject([
    { entry: 3, revision: 1, word: 'HOLD' },
    { entry: 1, revision: 0, word: 'ACCEPT', superseded: 1 },
  ]);
});

test('the index goes on where it ended, and an unchanged ledger is not opened again', async () => {
  const searched = ledgerOf(...EVERYTHING);
  let followed = 0;
  const counting: Searched = {
    ...searched,
    follow: (entry) => {
      followed += 1;
      return followEntry(entry);
    },
  };
  await found(counting);
  expect(followed).toBe(8);
  await found(counting);
  expect(followed).toBe(8);
  add(searched.ledger, 8, [ended('H12-26-04714', 1, 'broken off')]);
  expect(await found(counting, { state: 'not ended' })).toEqual([]);
  expect(followed).toBe(9);
});

test('an index of another ledger is thrown away', async () => {
  const one = ledgerOf(...EVERYTHING);
  await found(one);
  const other = ledgerOf(...attempt('H12-26-09999', 1, 'rejected'), ...EVERYTHING);
  const mixed = { ...other, index: one.index };
  expect((await found(mixed)).map(({ serial }) => serial)).toContain('H12-26-09999');
  const shorter = ledgerOf(...attempt('H12-26-08888', 1, 'rejected'));
  expect(await found({ ...shorter, index: one.index })).toHaveLength(1);
});

test('a damaged index is made anew, another program’s database is left alone', async () => {
  const searched = ledgerOf(...EVERYTHING);
  writeFileSync(searched.index, 'x'.repeat(5000));
  expect(await found(searched)).toHaveLength(5);
  for (const end of ['', '-wal', '-shm']) rmSync(searched.index + end, { force: true });
  const other = new Database(searched.index);
  other.exec('CREATE TABLE theirs (one)');
  other.close();
  await expect(found(searched)).rejects.toThrow('another program');
});

test('searching leaves the ledger byte for byte', async () => {
  const searched = ledgerOf(...EVERYTHING);
  const before = readFileSync(searched.ledger);
  await found(searched);
  expect(readFileSync(searched.ledger).equals(before)).toBe(true);
  expect(existsSync(searched.index)).toBe(true);
});

test('with a bound the index is made piece by piece, and each piece counts', async () => {
  const many = Array.from({ length: 600 }, (_, i) => begun(`H12-26-${String(i)}`, 1));
  const searched = ledgerOf(...many);
  const ask = () => searchFor(searched, (lookup) => lookup.find({}, 0, 1).total, 250);
  expect(await ask()).toEqual({ kind: 'making', seen: 250, of: 600 });
  expect(await ask()).toEqual({ kind: 'making', seen: 500, of: 600 });
  expect(await ask()).toEqual({ kind: 'answer', answer: 600 });
});

test('entries beside attempts are found by kind, serial and day', async () => {
  const searched = ledgerOf(
    ...EVERYTHING,
    moved('H12-26-04712', 'rework', 'rejected', 'in rework'),
  );
  const others = await search(searched, (lookup) => [
    lookup.others({ kinds: ['refused', 'item-moved', 'attempt-aborted'] }),
    lookup.others({ kinds: ['refused', 'item-moved'], serial: '04712' }),
    lookup.others({ kinds: ['refused', 'item-moved'], to: '2026-11-24' }),
  ]);
  expect(others).toEqual([[9, 7, 6], [9], []]);
});
