import { expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import { entryDigest, type NewEntry } from '../../src/ledger/ledger.js';
import type { ItemState } from '../../src/readiness/disposition.js';
import {
  allowance,
  allowanceWords,
  attemptProblems,
  nextAttempt,
  statusOf,
  type Attempting,
} from '../../src/readiness/retest.js';
import { attempt, begun, ended, history, moved } from '../support/history.js';

const S = 'H12-26-04711';
const MODEL = {
  code: 'H12',
  name: 'H12 console helm',
  gtin: '09520123401207',
  revision: 'C3',
  serial: '^H12-[0-9]{2}-[0-9]{5}$',
};
const NOW = Date.parse('2026-11-25T16:00:00Z');

const asked = (entries: readonly NewEntry[], more: Partial<Attempting> = {}): Attempting => ({
  ...{ serial: S, model: MODEL, attempts: 2, bench: 'TW-1', nest: 1, now: NOW, general: [] },
  history: history(...entries),
  ...more,
});

const invalid = attempt(S, 1, 'invalid');
const rejected = attempt(S, 1, 'rejected');
const release = (from: string): NewEntry => moved(S, 'release', from, 'released for retest');

/** Histories, the state they lead to, whether a test may begin, and "attempt n of m" of the next. */
const histories: readonly (readonly [
  name: string,
  entries: readonly NewEntry[],
  state: ItemState,
  mayBegin: boolean,
  next: string,
])[] = [
  ['nothing', [], 'awaiting', true, 'attempt 1 of 2 allowed'],
  ['an attempt that goes on', [begun(S, 1)], 'in test', false, 'attempt 2 of 2 allowed'],
  ['accepted', attempt(S, 1, 'accepted'), 'accepted', false, 'attempt 2 of 2 allowed'],
  ['rejected', rejected, 'rejected', false, 'attempt 2 of 2 allowed'],
  ['inconclusive', attempt(S, 1, 'inconclusive'), 'held', false, 'attempt 2 of 2 allowed'],
  ['conditional', attempt(S, 1, 'conditional'), 'held', false, 'attempt 2 of 2 allowed'],
  ['invalid', invalid, 'to be repeated', true, 'attempt 2 of 2 allowed'],
  ['aborted', attempt(S, 1, 'aborted'), 'to be repeated', true, 'attempt 2 of 2 allowed'],
  ['broken off', attempt(S, 1, 'broken off'), 'to be repeated', true, 'attempt 2 of 2 allowed'],
  [
    'invalid twice: the limit',
    [...invalid, ...attempt(S, 2, 'invalid')],
    'quarantined',
    false,
    'attempt 3 of 2 allowed',
  ],
  [
    'broken off twice: power cycling counts',
    [...attempt(S, 1, 'broken off'), ...attempt(S, 2, 'broken off')],
    'quarantined',
    false,
    'attempt 3 of 2 allowed',
  ],
  [
    'invalid, then accepted',
    [...invalid, ...attempt(S, 2, 'accepted')],
    'accepted',
    false,
    'attempt 3 of 2 allowed',
  ],
  [
    'rejected and released',
    [...rejected, release('rejected')],
    'released for retest',
    true,
    'attempt 2 of 3 allowed',
  ],
  [
    'rejected, released, invalid: the attempts count anew',
    [...rejected, release('rejected'), ...attempt(S, 2, 'invalid')],
    'to be repeated',
    true,
    'attempt 3 of 3 allowed',
  ],
  [
    'rejected, released, rejected again: the best of several is not to be had',
    [...rejected, release('rejected'), ...attempt(S, 2, 'rejected')],
    'rejected',
    false,
    'attempt 3 of 3 allowed',
  ],
  [
    'accepted and released',
    [...attempt(S, 1, 'accepted'), release('accepted')],
    'released for retest',
    true,
    'attempt 2 of 3 allowed',
  ],
  [
    'in rework',
    [...rejected, moved(S, 'rework', 'rejected', 'in rework')],
    'in rework',
    false,
    'attempt 2 of 2 allowed',
  ],
  [
    'reworked',
    [
      ...rejected,
      moved(S, 'rework', 'rejected', 'in rework'),
      moved(S, 'reworked', 'in rework', 'released for retest'),
    ],
    'released for retest',
    true,
    'attempt 2 of 3 allowed',
  ],
  [
    'quarantined at the limit and released',
    [...invalid, ...attempt(S, 2, 'invalid'), release('quarantined')],
    'released for retest',
    true,
    'attempt 3 of 4 allowed',
  ],
  [
    'scrapped',
    [...rejected, moved(S, 'scrap', 'rejected', 'scrapped')],
    'scrapped',
    false,
    'attempt 2 of 2 allowed',
  ],
  [
    'conceded',
    [...rejected, moved(S, 'concede', 'rejected', 'accepted by concession')],
    'accepted by concession',
    false,
    'attempt 2 of 2 allowed',
  ],
  [
    'set aside before any test',
    [moved(S, 'quarantine', 'awaiting', 'quarantined')],
    'quarantined',
    false,
    'attempt 1 of 2 allowed',
  ],
  [
    'moved in a way the table does not know',
    [...rejected, moved(S, 'release', 'rejected', 'accepted')],
    'quarantined',
    false,
    'attempt 2 of 2 allowed',
  ],
  [
    'released from a state it was not in',
    [...invalid, ...attempt(S, 2, 'invalid'), release('rejected')],
    'quarantined',
    false,
    'attempt 3 of 2 allowed',
  ],
  [
    'a verdict nobody knows',
    [begun(S, 1), { ...ended(S, 1, 'accepted'), body: { verdict: 'GOOD' } }],
    'held',
    false,
    'attempt 2 of 2 allowed',
  ],
];

for (const [name, entries, state, mayBegin, next] of histories) {
  test(`${name}: ${state}, ${mayBegin ? 'may' : 'may not'} be tested, ${next} comes next`, () => {
    const a = asked(entries);
    expect(statusOf(a.history, 2).state).toBe(state);
    expect(attemptProblems(a).map((p) => p.code)).toEqual(mayBegin ? [] : ['serial/attempts']);
    expect(allowanceWords(allowance(a.history, 2))).toBe(next);
    expect(nextAttempt(a.history)).toBe(
      entries.filter((e) => e.kind === 'attempt-begun').length + 1,
    );
  });
}

test('an accepted item is refused with what became of it, when and where', () => {
  const entries = [
    begun(S, 1, { bench: 'TW-2' }),
    { ...ended(S, 1, 'accepted'), body: { verdict: 'ACCEPT', certificate: 'TW2-2026-000007' } },
  ];
  const [problem] = attemptProblems(asked(entries));
  expect(problem?.what).toBe(
    'This item may not be tested now, it is accepted. Attempt 1 at TW-2 ended ACCEPT on 2026-11-25, record TW2-2026-000007.',
  );
});

test('a later issue of the procedure that allows more takes no item out of quarantine', () => {
  const entries = [...invalid, ...attempt(S, 2, 'invalid')];
  expect(statusOf(history(...entries), 5).state).toBe('quarantined');
  const silent = attempt(S, 1, 'invalid', { attemptsAllowed: 'two' });
  expect(statusOf(history(...silent), 1).state).toBe('quarantined');
  expect(statusOf(history(...silent), 2).state).toBe('to be repeated');
});

test('notes, claims, signatures and refusals change no state', () => {
  const others = (['note', 'signed', 'refused', 'bench-checked', 'changed'] as const).map(
    (kind): NewEntry => ({ kind, serial: S, attempt: 0, by: 'x', body: {} }),
  );
  expect(statusOf(history(...rejected, ...others), 2).state).toBe('rejected');
});

/** Other writings of one serial: none of them begins a count of its own. */
const variants: readonly (readonly [string, string])[] = [
  ['lower case', 'h12-26-04711'],
  ['percent-encoded', 'H12%2D26%2D04711'],
  ['a blank after it', `${S} `],
  ['a blank before it', ` ${S}`],
  ['a line end', `${S}\n`],
  ['wide digits', 'H12-26-０４７１１'],
  ['another hyphen', 'H12‐26‐04711'],
  ['a joiner nobody sees', 'H12-26-\u200d04711'],
  ['zeros left out', 'H12-26-4711'],
  ['a name of its folder', 'H12-26-04711/02'],
];

for (const [name, serial] of variants) {
  test(`${name} is no other item: ${JSON.stringify(serial)} is refused`, () => {
    const problems = attemptProblems(asked([], { serial }));
    expect(problems.map((p) => p.code)).toContain('serial/grammar');
  });
}

test('letters and marks apart are refused also by a grammar that takes both', () => {
  const model = { ...MODEL, serial: '^H12-.+$' };
  const [whole, apart] = ['H12-Ä1', 'H12-A\u03081'];
  expect(attemptProblems(asked([], { serial: whole, model }))).toEqual([]);
  expect(attemptProblems(asked([], { serial: apart, model })).map((p) => p.code)).toEqual([
    'serial/grammar',
  ]);
  expect(apart.normalize('NFC')).toBe(whole);
});

test('the history of an attempt is the one of its ledger entries, digests and all', () => {
  const entries = history(...invalid);
  const [first] = statusOf(entries, 2).attempts;
  expect(first?.digest).toBe(entries[0] === undefined ? '' : entryDigest(entries[0]));
});

test('a live claim of another bench and a quarantine are told together', () => {
  const claim: NewEntry = {
    kind: 'item-claimed',
    serial: S,
    attempt: 0,
    by: 'op-18',
    body: { bench: 'TW-2', nest: 1, until: '2026-11-25T16:05:00Z' },
  };
  const quarantine: NewEntry = {
    kind: 'changed',
    serial: '',
    attempt: 0,
    by: 'Q. Engineer',
    body: { what: 'quarantine', kind: 'lot', lot: 'L7', model: 'H12', why: 'x', contact: 'y' },
  };
  const problems = attemptProblems(asked([claim], { general: history(quarantine), lot: 'L7' }));
  expect(problems.map((p) => p.code)).toEqual(['serial/claimed', 'serial/quarantined']);
});

const MINUTE = 60_000;
/** The attempt of `invalid` was at TW-1 and ended at 14:01:00 UTC. */
const ENDED = Date.parse('2026-11-25T14:01:00Z');
const tenMinutes = { coolDown: second(600), bench: 'any' } as const;
const at = (bench: 'same' | 'other' | 'any') => ({ coolDown: second(0), bench });

const rules: readonly (readonly [
  name: string,
  entries: readonly NewEntry[],
  more: Partial<Attempting>,
  codes: readonly string[],
])[] = [
  [
    'a first attempt keeps to no rule',
    [],
    { retest: { coolDown: second(600), bench: 'other' } },
    [],
  ],
  ['no rule', invalid, { now: ENDED }, []],
  [
    '1 ms too soon',
    invalid,
    { retest: tenMinutes, now: ENDED + 10 * MINUTE - 1 },
    ['serial/cool-down'],
  ],
  ['cooled down to the millisecond', invalid, { retest: tenMinutes, now: ENDED + 10 * MINUTE }, []],
  [
    'a clock set back',
    invalid,
    { retest: tenMinutes, now: ENDED - 60 * MINUTE },
    ['serial/cool-down'],
  ],
  [
    'broken off counts like a record',
    attempt(S, 1, 'broken off'),
    { retest: tenMinutes, now: ENDED },
    ['serial/cool-down'],
  ],
  [
    'the last of two attempts counts',
    [...rejected, release('rejected'), ...attempt(S, 2, 'invalid')],
    { retest: tenMinutes, now: ENDED + 10 * MINUTE },
    ['serial/cool-down'],
  ],
  [
    'a release lifts no rule',
    [...rejected, release('rejected')],
    { retest: { coolDown: second(600), bench: 'other' }, now: ENDED + 2 * MINUTE },
    ['serial/cool-down', 'serial/retest-bench'],
  ],
  ['the same bench, asked for', invalid, { retest: at('same') }, []],
  [
    'another bench, refused',
    invalid,
    { retest: at('same'), bench: 'TW-2' },
    ['serial/retest-bench'],
  ],
  ['the same bench, refused', invalid, { retest: at('other') }, ['serial/retest-bench']],
  ['another bench, asked for', invalid, { retest: at('other'), bench: 'TW-2' }, []],
  ['any bench', invalid, { retest: at('any'), bench: 'TW-2' }, []],
  [
    'a state that forbids the test is told alone',
    rejected,
    { retest: { coolDown: second(600), bench: 'other' }, now: ENDED },
    ['serial/attempts'],
  ],
];

for (const [name, entries, more, codes] of rules) {
  test(`retest rule, ${name}: ${codes.length === 0 ? 'may be tested' : codes.join(', ')}`, () => {
    expect(attemptProblems(asked(entries, more)).map((p) => p.code)).toEqual(codes);
  });
}

test('a refused retest is told with what was found, what is right and what to do', () => {
  const retest = { coolDown: second(600), bench: 'other' } as const;
  const problems = attemptProblems(asked(invalid, { retest, now: ENDED + 90_500 }));
  expect(problems).toEqual([
    {
      code: 'serial/cool-down',
      what: 'Attempt 1 ended at 2026-11-25T14:01:00Z and it is 2026-11-25T14:02:30Z, but 10 min must lie between two attempts.',
      fix: 'Let the item cool down until 2026-11-25T14:11:00Z.',
    },
    {
      code: 'serial/retest-bench',
      what: 'Attempt 1 was at TW-1 and this is TW-1, but a retest takes another bench.',
      fix: 'Test the item at any bench but TW-1.',
    },
  ]);
});

test('an accepted item is tested again as an audit sample only', () => {
  const accepted = attempt(S, 1, 'accepted');
  const audit = moved(S, 'audit', 'accepted', 'released for retest');
  expect(attemptProblems(asked(accepted)).map((p) => p.code)).toEqual(['serial/attempts']);
  expect(attemptProblems(asked([...accepted, audit]))).toEqual([]);
  const again = [...accepted, audit, ...attempt(S, 2, 'rejected')];
  expect(statusOf(history(...again), 2)).toMatchObject({ state: 'rejected', counted: 1 });
  // From anywhere else the table knows no audit, so that nobody can test into an acceptance by it.
  const forged = [...rejected, moved(S, 'audit', 'rejected', 'released for retest')];
  expect(statusOf(history(...forged), 2).state).toBe('quarantined');
});
