import { expect, test } from 'vitest';
import { doublesNote, isFlagged, reconciled } from '../../src/readiness/reconcile.js';
import { statusOf } from '../../src/readiness/retest.js';
import { attempt, history, moved } from '../support/history.js';

const [S, OTHER] = ['H12-26-04711', 'H12-26-04712'];

const shared = attempt(OTHER, 1, 'accepted');
const first = history(...shared, ...attempt(S, 1, 'rejected', { bench: 'TW-1' }));
const second = history(...shared, ...attempt(S, 1, 'accepted', { bench: 'TW-2' }));

test('a serial tested under two ledgers is found with all attempts; what both hold is one', () => {
  const doubles = reconciled(first, second);
  expect(doubles.map(({ serial }) => serial)).toEqual([S]);
  expect(doubles[0]?.attempts.map((a) => [a.in, a.bench, a.ended?.word])).toEqual([
    ['first', 'TW-1', 'REJECT'],
    ['second', 'TW-2', 'ACCEPT'],
  ]);
  expect(doubles[0]?.what).toBe(
    'H12-26-04711 was tested 2 times under two ledgers: TW-1 2026-11-25T14:02Z attempt 1: REJECT; TW-2 2026-11-25T14:02Z attempt 1: ACCEPT.',
  );
});

test('a ledger, an older copy of it, and ledgers of other items hold nothing double', () => {
  expect(reconciled(first, first)).toEqual([]);
  expect(reconciled(first, first.slice(0, 2))).toEqual([]);
  expect(reconciled(history(...shared), history(...attempt(S, 1, 'accepted')))).toEqual([]);
  expect(reconciled([], second)).toEqual([]);
});

test('serials that differ only in how letters and marks are written are one', () => {
  const [whole, apart] = ['H12-Ä1', 'H12-A\u03081'];
  const doubles = reconciled(
    history(...attempt(whole, 1, 'rejected')),
    history(...attempt(apart, 1, 'accepted')),
  );
  expect(doubles.map(({ serial }) => serial)).toEqual([whole]);
});

test('the flag puts the item into quarantine until an engineer moves it, and is set once', () => {
  const [double] = reconciled(first, second);
  if (double === undefined) throw new Error('nothing was found');
  const note = doublesNote(double, 'Q. Engineer');
  const own = attempt(S, 1, 'rejected', { bench: 'TW-1' });
  const flagged = history(...own, note);
  expect(statusOf(flagged, 2).state).toBe('quarantined');
  const released = [...own, note, moved(S, 'release', 'quarantined', 'released for retest')];
  expect(statusOf(history(...released), 2).state).toBe('released for retest');
  expect(isFlagged(double, flagged)).toBe(true);
  expect(isFlagged(double, history(...own))).toBe(false);
  const more = [...shared, ...attempt(S, 1, 'accepted', { bench: 'TW-2' })];
  const [grown] = reconciled(first, history(...more, ...attempt(S, 2, 'accepted')));
  expect(grown === undefined ? true : isFlagged(grown, flagged)).toBe(false);
});
