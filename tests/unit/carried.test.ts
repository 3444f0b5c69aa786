import { expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import { certificateCsv } from '../../src/certificate/csv.js';
import { CARRIED, readCertificateCsv } from '../../src/certificate/csv-table.js';
import type { Result } from '../../src/decision/decision.js';
import { decideAll } from '../../src/decision/verdict.js';
import type { Limits } from '../../src/procedure/limits.js';
import { carriedRows } from '../../src/run/carried.js';
import type { EarlierRecord } from '../../src/run/earlier-record.js';
import { sampleCertificate } from '../support/record.js';

const where = { file: 'limits/h12.yaml', line: 1, column: 1 };
const NUMBER = 'TW1-2026-004711';
const limit = (over: Partial<Result['limit']> = {}): Result['limit'] => ({
  ...{ stage: 'steps-2', characteristic: 'rise-time', label: 'rise time', where },
  ...{ tolerance: { kind: 'between', lower: 0.0023, upper: 0.0031 }, rule: 'guarded' },
  unit: unitOf('ms'),
  ...over,
});
const row = (over: Partial<Result> = {}): Result => ({
  ...{ limit: limit(), name: 'rise time', side: 'motor' },
  outcome: { kind: 'measured', value: 0.002712345678901234, spread: 0.00001, repeats: 10 },
  ...{ expanded: 0.00006, k: 2.13, verdict: { outcome: 'conforming' } },
  ...over,
});
const measured = (value: number, over: object = {}): Result['outcome'] => ({
  ...{ kind: 'measured', value },
  ...over,
});

/** The record as its table is read back. */
function recordOf(...results: readonly [Result, ...Result[]]): EarlierRecord {
  const sample = sampleCertificate();
  const bytes = certificateCsv({ ...sample, decision: { ...sample.decision, results } });
  const table = readCertificateCsv(bytes);
  if ('damage' in table) throw new Error(table.sentence);
  return { number: NUMBER, entry: 2, digest: '', table };
}

test('a row stands with value, U, k, scatter and verdict, bit by bit, named by its record', () => {
  const found = carriedRows(recordOf(row()), { rows: [limit()] }, []);
  expect(found.problems).toEqual([]);
  expect(found.results).toEqual([{ ...row(), carriedFrom: NUMBER }]);
});

test('rows of stages that are played are not asked for', () => {
  const rejected = row({ outcome: measured(0.004), verdict: { outcome: 'nonconforming' } });
  expect(carriedRows(recordOf(rejected), { rows: [limit()] }, ['steps-2'])).toEqual({
    ...{ results: [], problems: [] },
  });
});

const inside = { outcome: 'conditional', side: 'inside' } as const;
const fourWay = limit({ rule: 'four-way' });
const bound = limit({ tolerance: { kind: 'at-least', lower: 0.002 }, rule: 'simple' });

const carried: readonly (readonly [string, Result])[] = [
  ['accepted on condition', row({ limit: fourWay, outcome: measured(0.00233), verdict: inside })],
  [
    'a lower bound above a least',
    row({ limit: bound, outcome: measured(0.003, { bound: 'at-least' }) }),
  ],
  [
    'without U under simple acceptance',
    { ...row({ limit: limit({ rule: 'simple' }) }), expanded: undefined },
  ],
];

for (const [name, result] of carried) {
  test(`${name}: carried over with the same verdict`, () => {
    const { results, problems } = carriedRows(recordOf(result), { rows: [result.limit] }, []);
    expect(problems).toEqual([]);
    expect(results).toMatchObject([{ verdict: result.verdict, outcome: result.outcome }]);
  });
}

const refused: readonly (readonly [string, Result, RegExp])[] = [
  [
    'nonconforming',
    row({ outcome: measured(0.004), verdict: { outcome: 'nonconforming' } }),
    /there it is nonconforming\.$/u,
  ],
  [
    'not decided',
    row({ outcome: measured(0.00233), verdict: { outcome: 'inconclusive', side: 'inside' } }),
    /there it is inconclusive, inside the limits\.$/u,
  ],
  [
    'outside on condition',
    row({
      ...{ limit: fourWay, outcome: measured(0.00227) },
      verdict: { outcome: 'conditional', side: 'outside' },
    }),
    /there it is conditionally nonconforming\.$/u,
  ],
  [
    'voided by a gate',
    row({ verdict: { outcome: 'invalid', reasons: ['gate "hum"'] } }),
    /there it is invalid\.$/u,
  ],
  [
    'not run',
    row({
      outcome: { kind: 'not-evaluated', reason: 'not run' },
      verdict: { outcome: 'not-run' },
    }),
    /it has no value there \(not run\)\.$/u,
  ],
  [
    'said to conform though its value does not',
    row({ outcome: measured(0.004) }),
    /there it is conforming, but by its value it is not\.$/u,
  ],
  ['of another unit', row({ limit: limit({ unit: unitOf('s') }) }), /its unit or its rule/u],
  ['of another rule', row({ limit: limit({ rule: 'simple' }) }), /its unit or its rule/u],
  ['of another stage', row({ limit: limit({ stage: 'steps-0' }) }), /stands there 0 times/u],
];

for (const [name, result, says] of refused) {
  test(`a row that is ${name} must be measured again`, () => {
    const rows: Limits['rows'] = [name.startsWith('outside') ? fourWay : limit()];
    const found = carriedRows(recordOf(result), { rows }, []);
    expect(found.results).toEqual([]);
    expect(found.problems.map(({ code }) => code)).toEqual(['serial/state']);
    expect(found.problems[0]?.what).toMatch(says);
    expect(found.problems[0]?.fix).toBe('Add the stage steps-2, or test in full.');
  });
}

test('a row that stands twice is none', () => {
  const found = carriedRows(recordOf(row(), row()), { rows: [limit()] }, []);
  expect(found.problems[0]?.what).toMatch(/stands there 2 times/u);
});

test('a carried row is marked in columns that every reader of the table knows, and carried on', () => {
  const { table } = recordOf(row({ carriedFrom: 'TW1-2026-000815' }), row({ limit: bound }));
  const results = table.rows.filter(({ section }) => section === 'result');
  expect(results.map(({ item, text }) => [item, text])).toEqual([
    [CARRIED, 'TW1-2026-000815'],
    [undefined, undefined],
  ]);
  expect(
    table.rows.find(({ section, item }) => section === 'schema' && item === CARRIED)?.text,
  ).toBe('this result was not measured in this attempt; "text" is the record that did');
  const on = carriedRows(
    recordOf(row({ carriedFrom: 'TW1-2026-000815' })),
    { rows: [limit()] },
    [],
  );
  expect(on.results[0]?.carriedFrom).toBe('TW1-2026-000815');
});

test('a table without carried rows says nothing of them', () => {
  expect(recordOf(row()).table.rows.filter(({ item }) => item === CARRIED)).toEqual([]);
});

test('the verdict is over all rows, carried or new; none is both', () => {
  const document = { id: 'AS-H12', issue: 3, rows: [limit(), bound] } as unknown as Limits;
  const score = {
    stage: 'steps-2',
    characteristic: 'lag',
    side: 'motor',
    outcome: { kind: 'measured', value: 0.001 },
  } as const;
  const other = { ...bound, characteristic: 'lag' };
  const evidence = {
    limits: { ...document, rows: [limit(), other] as const },
    ...{ gates: [], uncertainty: () => undefined, sideOf: () => 'motor' as const },
    gatesOf: () => [],
    carried: [row({ carriedFrom: NUMBER })],
  };
  expect(decideAll({ ...evidence, scores: [] }).verdict.outcome).toBe('invalid');
  expect(decideAll({ ...evidence, scores: [score] }).verdict.word).toBe('REJECT');
  const good = { ...score, outcome: { kind: 'measured', value: 0.003 } } as const;
  const decision = decideAll({ ...evidence, scores: [good] });
  expect(decision.verdict.word).toBe('ACCEPT');
  expect(decision.reason).toBe(
    `All 2 characteristics conform to AS-H12 issue 3; 1 characteristic is carried over from record ${NUMBER}.`,
  );
  const both = { ...score, characteristic: 'rise-time' };
  expect(() => decideAll({ ...evidence, scores: [both] })).toThrow(/measured and carried over/u);
});
