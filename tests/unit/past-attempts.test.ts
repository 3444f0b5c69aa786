import { expect, test } from 'vitest';
import type { NewEntry } from '../../src/ledger/ledger.js';
import type { AttemptEnd } from '../../src/readiness/disposition.js';
import { pastAttempts } from '../../src/readiness/past-attempts.js';
import { attempt, begun, ended, history, moved } from '../support/history.js';

const S = 'H12-26-04711';

const bodies: readonly (readonly [NewEntry['body'], AttemptEnd])[] = [
  [{ verdict: 'ACCEPT', outcome: 'conforming' }, 'accepted'],
  [{ verdict: 'ACCEPT', outcome: 'conditional' }, 'accepted'],
  [{ verdict: 'REJECT', outcome: 'nonconforming' }, 'rejected'],
  [{ verdict: 'HOLD', outcome: 'inconclusive' }, 'undecided'],
  [{ verdict: 'HOLD', outcome: 'conditional' }, 'undecided'],
  [{ verdict: 'HOLD', outcome: 'invalid' }, 'no measurement'],
  [{ verdict: 'HOLD', outcome: 'aborted' }, 'no measurement'],
  [{ verdict: 'HOLD' }, 'undecided'],
  [{ verdict: 'accept', outcome: 'conforming' }, 'undecided'],
  [{ verdict: true, outcome: 1 }, 'undecided'],
  [{}, 'undecided'],
];

for (const [body, end] of bodies) {
  test(`a record that says ${JSON.stringify(body)} leaves the item ${end}`, () => {
    const entries = history(begun(S, 1), { ...ended(S, 1, 'accepted'), body });
    expect(pastAttempts(entries).map((a) => a.ended?.end)).toEqual([end]);
  });
}

test('attempts are told with bench, number, instants and how they ended', () => {
  const entries = history(
    begun(S, 1, { bench: 'TW-2', certificate: 'SIM-TW2-2026-000003' }),
    moved(S, 'quarantine', 'in test', 'quarantined'),
    ended(S, 1, 'broken off'),
    begun(S, 2, { attemptsAllowed: 0.5, bench: 7 }),
  );
  const [first, second] = pastAttempts(entries);
  expect(first).toEqual({
    ...{ serial: S, attempt: 1, entry: 1, digest: entries[0]?.digest },
    begun: '2026-11-25T14:00:00.000Z',
    ...{ bench: 'TW-2', simulated: true, certificate: 'SIM-TW2-2026-000003', allowed: 2 },
    ended: {
      at: '2026-11-25T14:02:00.000Z',
      ...{ end: 'no measurement', word: 'broken off', outcome: 'aborted', reason: 'stopped' },
    },
  });
  expect(second).toMatchObject({ attempt: 2, bench: '' });
  expect(second).not.toHaveProperty('allowed');
  expect(second).not.toHaveProperty('ended');
});

test('attempts of several serials are kept apart', () => {
  const entries = history(begun('A', 1), begun('B', 1), ended('A', 1, 'accepted'));
  const found = pastAttempts(entries).map((a) => [a.serial, a.ended?.word]);
  expect(found).toEqual([
    ['A', 'ACCEPT'],
    ['B', undefined],
  ]);
  expect(pastAttempts(history(...attempt('A', 1, 'invalid').slice(1)))).toEqual([]);
});
