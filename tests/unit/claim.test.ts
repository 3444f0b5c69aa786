import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { auditFile } from '../../src/ledger/audit.js';
import type { NewEntry } from '../../src/ledger/ledger.js';
import { beginAttempt } from '../../src/ledger/numbering.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import {
  claimItem,
  claimProblems,
  LEASE,
  openClaim,
  releaseClaim,
  type Claiming,
} from '../../src/readiness/claim.js';
import { temporaryFolder } from '../support/folder.js';
import { attempt, begun, history } from '../support/history.js';

const S = 'H12-26-04711';
const NOW = Date.parse('2026-11-25T14:30:00Z');
const MINUTE = 60_000;

const claimed = (body: NewEntry['body']): NewEntry => ({
  kind: 'item-claimed',
  serial: S,
  attempt: 0,
  by: 'op-18',
  body,
});
const byTw2 = claimed({ bench: 'TW-2', nest: 1, until: '2026-11-25T14:35:00Z' });
const spent = [byTw2, ...attempt(S, 1, 'broken off')];

const cases: readonly (readonly [
  name: string,
  entries: readonly NewEntry[],
  at: number,
  says: string | undefined,
])[] = [
  ['nobody has it', [], NOW, undefined],
  [
    'another bench has claimed it',
    [byTw2],
    NOW,
    'The item is claimed by TW-2, nest 1 (op-18) until 2026-11-25T14:35:00Z.',
  ],
  [
    '1 ms before the claim ends',
    [byTw2],
    NOW + 5 * MINUTE - 1,
    'The item is claimed by TW-2, nest 1 (op-18) until 2026-11-25T14:35:00Z.',
  ],
  ['the claim has ended', [byTw2], NOW + 5 * MINUTE, undefined],
  ['the claim was given back', [byTw2, claimed({ bench: 'TW-2', released: true })], NOW, undefined],
  ['the claim was spent by an attempt', spent, NOW, undefined],
  [
    'its own claim',
    [claimed({ bench: 'TW-1', nest: 1, until: '2026-11-25T14:35:00Z' })],
    NOW,
    undefined,
  ],
  [
    'another nest of the same bench',
    [claimed({ bench: 'TW-1', nest: 2, until: '2026-11-25T14:35:00Z' })],
    NOW,
    'The item is claimed by TW-1, nest 2 (op-18) until 2026-11-25T14:35:00Z.',
  ],
  [
    'an attempt goes on elsewhere',
    [byTw2, begun(S, 1, { bench: 'TW-2' })],
    NOW,
    'Attempt 1 of H12-26-04711 goes on at TW-2 since 2026-11-25T14:01:00.000Z.',
  ],
  [
    'a claim whose end cannot be read lasts as long as any: entered at 14:00, until 14:10',
    [claimed({ bench: 'TW-2', nest: 1, until: 'soon' })],
    Date.parse('2026-11-25T14:09:59Z'),
    'The item is claimed by TW-2, nest 1 (op-18) until 2026-11-25T14:10:00Z.',
  ],
];

for (const [name, entries, at, says] of cases) {
  test(`${name}: ${says === undefined ? 'free' : 'refused'}`, () => {
    const found = claimProblems(history(...entries), { bench: 'TW-1', nest: 1 }, at);
    expect(found.map((p) => p.what)).toEqual(says === undefined ? [] : [says]);
    expect(found.every((p) => p.code === 'serial/claimed')).toBe(true);
  });
}

const claiming = (bench: string): Claiming => ({
  ...{ serial: S, bench, nest: 1, by: `operator at ${bench}`, simulated: true },
});

function refusedWith(work: () => unknown): readonly string[] {
  try {
    work();
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
}

test('of two benches on one ledger file one wins, whichever comes first', () => {
  const file = join(temporaryFolder(), 'ledger.db');
  const [one, two] = [openLedger(file), openLedger(file)];
  // Both look first, as two programs do at the same moment, and both see a free item.
  expect(claimProblems(one.of(S), claiming('TW-1'), NOW)).toEqual([]);
  expect(claimProblems(two.of(S), claiming('TW-2'), NOW)).toEqual([]);
  claimItem(two, claiming('TW-2'), NOW);
  expect(refusedWith(() => claimItem(one, claiming('TW-1'), NOW))).toEqual(['serial/claimed']);
  expect(one.of(S).map(({ body }) => body['bench'])).toEqual(['TW-2']);
  one.close();
  two.close();
  expect(auditFile(file).findings).toEqual([]);
});

test('power lost between claim and attempt: the same bench goes on, another waits for the end', () => {
  const file = join(temporaryFolder(), 'ledger.db');
  const before = openLedger(file);
  const first = claimItem(before, claiming('TW-1'), NOW);
  before.close();
  const [own, other] = [openLedger(file), openLedger(file)];
  const later = NOW + MINUTE;
  expect(refusedWith(() => claimItem(other, claiming('TW-2'), later))).toEqual(['serial/claimed']);
  const again = claimItem(own, claiming('TW-1'), later);
  expect(again.body).toMatchObject({ resumes: first.number, until: '2026-11-25T14:41:00Z' });
  const end = later + LEASE;
  const taken = claimItem(other, claiming('TW-2'), end);
  expect(taken.body).toEqual({
    ...{ bench: 'TW-2', nest: 1, simulated: true, until: '2026-11-25T14:51:00Z' },
    expired: { entry: again.number, bench: 'TW-1', nest: 1, until: '2026-11-25T14:41:00Z' },
  });
  own.close();
  other.close();
});

test('an attempt spends the claim; while it goes on nobody claims, when it has ended anybody does', () => {
  const ledger = openLedger(join(temporaryFolder(), 'ledger.db'));
  claimItem(ledger, claiming('TW-1'), NOW);
  const body = { bench: 'TW-1' };
  beginAttempt(ledger, { serial: S, attempt: 1, by: 'x', prefix: 'SIM-TW1', body }, NOW);
  expect(openClaim(ledger.of(S))).toBeUndefined();
  expect(refusedWith(() => claimItem(ledger, claiming('TW-2'), NOW))).toEqual(['serial/claimed']);
  ledger.append({ kind: 'attempt-aborted', serial: S, attempt: 1, by: 'x', body }, NOW);
  expect(claimItem(ledger, claiming('TW-2'), NOW).body['expired']).toBeUndefined();
  ledger.close();
});

test('a bench gives back its own claim only, and once', () => {
  const ledger = openLedger(join(temporaryFolder(), 'ledger.db'));
  expect(releaseClaim(ledger, claiming('TW-1'), NOW)).toBeUndefined();
  claimItem(ledger, claiming('TW-1'), NOW);
  expect(releaseClaim(ledger, claiming('TW-2'), NOW)).toBeUndefined();
  expect(releaseClaim(ledger, claiming('TW-1'), NOW)?.body['released']).toBe(true);
  expect(releaseClaim(ledger, claiming('TW-1'), NOW)).toBeUndefined();
  expect(claimItem(ledger, claiming('TW-2'), NOW).body['bench']).toBe('TW-2');
  ledger.close();
});

test('a clock that went back cannot claim: the ledger refuses it', () => {
  const ledger = openLedger(join(temporaryFolder(), 'ledger.db'));
  claimItem(ledger, claiming('TW-1'), NOW);
  expect(refusedWith(() => claimItem(ledger, claiming('TW-1'), NOW - MINUTE))).toEqual([
    'ledger/clock',
  ]);
  ledger.close();
});
