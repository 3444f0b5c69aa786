import { expect, test } from 'vitest';
import { confirmClock } from '../../src/ledger/ledger.js';
import { changeRoles, retirePerson } from '../../src/people/administration.js';
import { readRegister } from '../../src/people/register.js';
import { authenticate } from '../../src/people/session.js';
import { trailOf, type TrailRow } from '../../src/people/trail.js';
import { SECRETS, testPeople, type TestPeople } from '../support/people.js';

const bench = { bench: 'TW-1', simulated: true };

/** A ledger with one entry of each kind that people leave, and some that are no part of the trail. */
async function history(): Promise<TestPeople> {
  const people = await testPeople();
  const { ledger, clock } = people;
  const register = readRegister(people.keys);
  if (register === undefined) throw new Error('there is no register');
  const parts = { register, ledger, clock, place: bench };
  const tried = { id: 'OP-1', secret: 'wrong secret' };
  await authenticate(parts, tried);
  await clock.advance(1000);
  await authenticate(parts, { id: 'OP-1', secret: SECRETS['OP-1'] });
  await clock.advance(86_400_000);
  const item = { serial: 'H12-26-04711', attempt: 1, by: 'Q. Engineer (QE-1)' };
  const moved = { from: 'held', to: 'released', why: 'connector reseated' };
  ledger.append({ kind: 'item-moved', ...item, body: moved }, clock.now());
  ledger.append({ kind: 'attempt-begun', ...item, body: {} }, clock.now());
  const problems = [{ code: 'bench/interlock', what: 'The guard is open.' }];
  const start = { what: 'start', ...bench, problems };
  ledger.append({ kind: 'refused', ...item, by: 'O. Operator (OP-1)', body: start }, clock.now());
  const reason = { reason: 'interrupted', kept: ['unissued/TW1-2026-000001'] };
  ledger.append({ kind: 'attempt-aborted', ...item, by: 'recovery', body: reason }, clock.now());
  confirmClock(ledger, 'Q. Engineer (QE-1)', 'battery was changed', clock.now());
  const signed = {
    what: 'record',
    person: 'QE-1',
    meaning: 'approved',
    certificate: 'TW1-2026-000001',
  };
  ledger.append({ kind: 'signed', ...item, body: { ...signed, why: 'complete' } }, clock.now());
  ledger.append({ kind: 'item-claimed', ...item, body: {} }, clock.now());
  await changeRoles(people.acting('learned it'), 'OP-2', ['operator', 'maintenance']);
  await retirePerson(people.acting('left'), 'AU-1');
  return people;
}

const cells = ({ by, what, from, to, why }: TrailRow): readonly string[] => [
  by,
  what,
  from,
  to,
  why,
];

const QE = 'Q. Engineer (QE-1)';

test('the trail tells who, what, old, new and why, and leaves attempts and records out', async () => {
  const { ledger } = await history();
  const rows = trailOf(ledger.entries()).slice(4); // the first four add people
  expect(rows.map(cells)).toEqual([
    ['OP-1', 'refused: log-in', '', '', 'wrong'],
    ['O. Operator (OP-1)', 'logged in at bench TW-1', '', '', ''],
    [QE, 'moved H12-26-04711', 'held', 'released', 'connector reseated'],
    [
      'O. Operator (OP-1)',
      'refused H12-26-04711: start',
      '',
      '',
      'bench/interlock: The guard is open.',
    ],
    ['recovery', 'recovery H12-26-04711', '', 'unissued/TW1-2026-000001', 'interrupted'],
    [QE, 'clock confirmed', '', '', 'battery was changed'],
    [QE, 'signed as approved H12-26-04711', '', 'record TW1-2026-000001', 'complete'],
    [QE, 'changed person OP-2 roles', 'operator', 'operator, maintenance', 'learned it'],
    [
      ...[QE, 'changed person AU-1 retired', 'name A. Auditor, roles ["auditor"]'],
      ...['at 2026-11-26T14:00:01Z, why left', 'left'],
    ],
  ]);
});

test('rows carry the number of their entry and its time in UTC', async () => {
  const { ledger } = await history();
  const rows = trailOf(ledger.entries());
  for (const row of rows) {
    const entry = [...ledger.entries()].find(({ number }) => number === row.entry);
    expect(row.at).toBe(entry?.at);
    expect(row.at).toMatch(/Z$/u);
  }
  expect(rows.map(({ entry }) => entry)).toEqual([1, 2, 3, 4, 5, 6, 7, 9, 10, 11, 12, 14, 15]);
});

const wishes: readonly (readonly [string | undefined, string | undefined, readonly number[]])[] = [
  [undefined, '2026-11-25', [1, 2, 3, 4, 5, 6]],
  ['2026-11-26', undefined, [7, 9, 10, 11, 12, 14, 15]],
  ['2026-11-25T14:00:01Z', '2026-11-25T14:00:01Z', [6]],
  ['2026-11-27', undefined, []],
];

for (const [from, to, entries] of wishes) {
  test(`from ${from ?? 'the beginning'} to ${to ?? 'the end'} are entries ${entries.join(', ')}`, async () => {
    const { ledger } = await history();
    const wish = { ...(from === undefined ? {} : { from }), ...(to === undefined ? {} : { to }) };
    expect(trailOf(ledger.entries(), wish).map(({ entry }) => entry)).toEqual(entries);
  });
}

test('of one person are the entries by and about that person', async () => {
  const { ledger } = await history();
  const person = { id: 'OP-1', name: 'O. Operator' };
  expect(trailOf(ledger.entries(), { person }).map(({ entry }) => entry)).toEqual([2, 5, 6, 9]);
  const nobody = { id: 'OP-11', name: 'Operator' };
  expect(trailOf(ledger.entries(), { person: nobody })).toEqual([]);
});
