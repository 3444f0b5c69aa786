import { expect, test } from 'vitest';
import { openSuspects, suspectsSince } from '../../src/readiness/suspects.js';
import { WrittenLedger } from '../support/reference-ledger.js';

const TW1 = { id: 'TW-1', kind: 'simulated' } as const;
const since = (ledger: WrittenLedger, item = 'REF-H12-A'): readonly string[] =>
  suspectsSince(ledger.newestFirst(), TW1, item).map(({ serial }) => serial);

const CASES: readonly {
  readonly name: string;
  readonly write: (ledger: WrittenLedger) => void;
  readonly suspects: readonly number[];
}[] = [
  { name: 'nothing was tested', write: (l) => void l.checked(0), suspects: [] },
  {
    name: 'accepted before and after the last good check: those after',
    write: (l) => {
      l.tested(0, 1);
      l.checked(1);
      l.tested(2, 2);
      l.tested(3, 3);
    },
    suspects: [2, 3],
  },
  {
    name: 'rejected and held items are not suspect',
    write: (l) => {
      l.checked(0);
      l.tested(1, 1, 'REJECT');
      l.tested(1, 2, 'HOLD');
      l.tested(1, 3);
    },
    suspects: [3],
  },
  {
    name: 'items of another bench are not suspect',
    write: (l) => {
      l.checked(0);
      l.tested(1, 1, 'ACCEPT', 'TW-2');
      l.tested(1, 2);
    },
    suspects: [2],
  },
  {
    name: 'there never was a good check: all of the bench',
    write: (l) => {
      l.tested(0, 1);
      l.checked(1, { ok: false });
      l.tested(2, 2);
    },
    suspects: [1, 2],
  },
  {
    name: 'a good check of another item, bench or kind of bench ends nothing',
    write: (l) => {
      l.tested(0, 1);
      l.checked(1, { item: 'REF-H12-B', kind: 'known-bad' });
      l.checked(1, { bench: 'TW-2' });
      l.checked(1, { simulated: false });
      l.tested(2, 2);
    },
    suspects: [1, 2],
  },
  {
    name: 'whose beginning lies before the check may be of any bench: suspect',
    write: (l) => {
      const which = { serial: 'H12-26-00001', attempt: 1 };
      l.write('attempt-begun', 0, { ...which, body: { bench: 'TW-2' } });
      l.checked(1);
      l.write('record-issued', 2, { ...which, body: { verdict: 'ACCEPT', certificate: 'X' } });
    },
    suspects: [1],
  },
];

for (const { name, write, suspects } of CASES) {
  test(name, () => {
    const ledger = new WrittenLedger();
    write(ledger);
    expect(since(ledger)).toEqual(suspects.map((n) => `H12-26-0000${String(n)}`));
  });
}

test('suspects of failed checks stay open, each once, until a person decides on the item', () => {
  const ledger = new WrittenLedger();
  ledger.tested(0, 1);
  ledger.tested(0, 2);
  const fail = (hours: number): void => {
    const suspects = suspectsSince(ledger.newestFirst(), TW1, 'REF-H12-A');
    ledger.checked(hours, { ok: false, reason: 'off.', suspects });
  };
  const open = (): readonly (readonly [string, number])[] =>
    openSuspects(ledger.entries).map(({ serial, failed }) => [serial, failed]);
  fail(1);
  fail(2);
  ledger.checked(3);
  expect(open()).toEqual([
    ['H12-26-00001', 5],
    ['H12-26-00002', 5],
  ]);
  const move = (event: string, from: string, to: string): void =>
    void ledger.write('item-moved', 4, { serial: 'H12-26-00001', body: { event, from, to } });
  move('quarantine', 'accepted', 'quarantined');
  expect(open()).toHaveLength(2);
  move('scrap', 'quarantined', 'scrapped');
  expect(open()).toEqual([['H12-26-00002', 5]]);
});
