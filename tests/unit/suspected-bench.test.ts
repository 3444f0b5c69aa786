import Database from 'better-sqlite3';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { NewEntry } from '../../src/ledger/ledger.js';
import { ledgerOn } from '../../src/ledger/sqlite.js';
import { clearBench, suspectedBench } from '../../src/readiness/suspected-bench.js';
import { attempt, history } from '../support/history.js';

type End = Parameters<typeof attempt>[2];
const BENCH = { bench: 'TW-1', simulated: true };
const HOUR = 3_600_000;

/** Attempts of one serial after another, each its first, on a bench. */
const run = (ends: readonly End[], bench = 'TW-1', from = 1): readonly NewEntry[] =>
  ends.flatMap((end, i) =>
    attempt(`H12-26-${String(from + i).padStart(5, '0')}`, 1, end, { bench }),
  );
const many = (count: number, end: End): readonly End[] => Array<End>(count).fill(end);
const cleared = (bench: string): NewEntry => ({
  ...{ kind: 'changed', serial: '', attempt: 0, by: 'Q. Engineer' },
  body: { what: 'bench cleared', bench, why: 'cable mended' },
});
const X = 'H12-26-04711';

const cases: readonly (readonly [
  name: string,
  entries: readonly NewEntry[],
  found: string,
  isOk: boolean,
])[] = [
  ['nothing was tested', [], '0 of 0 looked at', true],
  ['two invalid', run(['invalid', 'invalid']), '2 of 2 looked at', true],
  [
    'three invalid in a row',
    run(['accepted', 'invalid', 'invalid', 'invalid']),
    'the last 3 measurements were invalid, of H12-26-00004, H12-26-00003, H12-26-00002',
    false,
  ],
  [
    'three invalid with one between that was decided, 75 % of the shift',
    run(['invalid', 'accepted', 'invalid', 'invalid']),
    '3 of 4 measurements within 8 h were invalid, 75.0 %, allowed 2 %',
    false,
  ],
  [
    'two of one item in a row, others between',
    [...attempt(X, 1, 'invalid'), ...run(['accepted']), ...attempt(X, 2, 'invalid')],
    `2 measurements of ${X} in a row were invalid`,
    false,
  ],
  [
    'two of one item, the later one decided',
    [...attempt(X, 1, 'invalid'), ...attempt(X, 2, 'accepted')],
    '1 of 2 looked at',
    true,
  ],
  ['three broken off are no records', run(many(3, 'broken off')), '0 of 0 looked at', true],
  [
    'three rejected are no doubt about the bench',
    run(many(3, 'rejected')),
    '0 of 3 looked at',
    true,
  ],
  ['three inconclusive neither', run(many(3, 'inconclusive')), '0 of 3 looked at', true],
  ['three on another bench', run(many(3, 'invalid'), 'TW-2'), '0 of 0 looked at', true],
  [
    'three in a row here, one of another bench between',
    [
      ...run(['invalid', 'invalid']),
      ...run(['accepted'], 'TW-2', 50),
      ...run(['invalid'], 'TW-1', 60),
    ],
    'the last 3 measurements were invalid, of H12-26-00060, H12-26-00002, H12-26-00001',
    false,
  ],
  [
    'cleared since',
    [...run(many(3, 'invalid')), cleared('TW-1'), ...run(['invalid'], 'TW-1', 10)],
    '1 of 1 looked at',
    true,
  ],
  [
    'another bench cleared since',
    [...run(many(3, 'invalid')), cleared('TW-2')],
    'the last 3 measurements were invalid, of H12-26-00003, H12-26-00002, H12-26-00001',
    false,
  ],
];

for (const [name, entries, found, isOk] of cases) {
  test(`${name}: ${isOk ? 'ok' : 'locked out'}`, () => {
    const all = history(...entries);
    const now = Date.parse(all.at(-1)?.at ?? '2026-11-25T14:00:00Z');
    const check = suspectedBench([...all].reverse(), BENCH, now);
    expect(check).toEqual({
      name: 'invalid measurements',
      state: isOk ? 'ok' : 'failed',
      found,
      clear: 'quality engineer',
    });
  });
}

/** Records a second apart, so that all lie within a shift; the invalid ones spread among them. */
function shift(good: number, invalid: number, first = Date.parse('2026-11-25T06:00:00Z')) {
  const ends = Array.from({ length: good + invalid }, (_, i): End =>
    i % 10 === 5 && i < 10 * invalid ? 'invalid' : 'accepted',
  );
  return history(...run(ends).map((entry, i) => ({ ...entry, now: first + i * 1000 })));
}

// More than 2 %: 3 of 149 are 2.013 %, 3 of 150 are 2.000 %.
for (const [good, isOk] of [
  [146, false],
  [147, true],
] as const) {
  test(`3 invalid of ${good + 3} in a shift: ${isOk ? 'ok' : 'locked out'}`, () => {
    const all = shift(good, 3);
    const now = Date.parse(all.at(-1)?.at ?? '');
    expect(suspectedBench([...all].reverse(), BENCH, now).state).toBe(isOk ? 'ok' : 'failed');
  });
}

test('a share of an earlier shift counts no longer', () => {
  const all = shift(40, 3);
  const last = Date.parse(all.at(-1)?.at ?? '');
  const newest = [...all].reverse();
  expect(suspectedBench(newest, BENCH, last + 7 * HOUR).state).toBe('failed');
  expect(suspectedBench(newest, BENCH, last + 9 * HOUR).state).toBe('ok');
});

test('three in a row stay three in a row over a weekend', () => {
  const all = history(...run(many(3, 'invalid')));
  const now = Date.parse(all.at(-1)?.at ?? '') + 60 * HOUR;
  expect(suspectedBench([...all].reverse(), BENCH, now).state).toBe('failed');
});

test('what a simulated bench yields says nothing of a real one of the same name', () => {
  const all = history(...run(many(3, 'invalid')));
  const now = Date.parse(all.at(-1)?.at ?? '');
  const real = { ...BENCH, simulated: false };
  expect(suspectedBench([...all].reverse(), real, now).state).toBe('ok');
});

test('only a quality engineer clears a bench, and says why', () => {
  const ledger = ledgerOn(new Database(':memory:'), ':memory:');
  const now = Date.parse('2026-11-25T15:00:00Z');
  const codes = (roles: readonly ['operator' | 'quality engineer'], why: string) => {
    try {
      clearBench(ledger, { bench: 'TW-1', why, actor: { by: 'P. Person', roles } }, now);
      return [];
    } catch (error) {
      if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
      throw error;
    }
  };
  expect(codes(['operator'], ' ')).toEqual(['people/role', 'usage/argument']);
  expect(codes(['quality engineer'], 'cable mended')).toEqual([]);
  expect(ledger.last()?.body).toEqual({
    what: 'bench cleared',
    bench: 'TW-1',
    why: 'cable mended',
  });
});
