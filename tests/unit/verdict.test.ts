import { expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import type { Gate } from '../../src/capture/gate.js';
import type { Result, Verdict } from '../../src/decision/decision.js';
import { decideAll, itemVerdict, reasonSentence } from '../../src/decision/verdict.js';
import type { Limit, Limits } from '../../src/procedure/limits.js';
import type { Score } from '../../src/scoring/scoring.js';
import { gateAs } from '../support/stand.js';

const VERDICTS: Readonly<Record<string, Verdict>> = {
  conforming: { outcome: 'conforming' },
  inside: { outcome: 'inconclusive', side: 'inside' },
  outside: { outcome: 'inconclusive', side: 'outside' },
  nonconforming: { outcome: 'nonconforming' },
  invalid: { outcome: 'invalid', reasons: ['clipped'] },
  'not-run': { outcome: 'not-run' },
};

const columns = ['conforming', 'inside', 'outside', 'nonconforming', 'invalid', 'not-run'];
/**
 * Two rows of one attempt that ran to its end with every gate holding: C conforming, ? inconclusive,
 * N nonconforming, I invalid. The line is the first row, the column the second.
 */
const pairs: Readonly<Record<string, string>> = {
  conforming: '   C ? ? N I I',
  inside: '       ? ? ? N I I',
  outside: '      ? ? ? N I I',
  nonconforming: 'N N N N I I',
  invalid: '      I I I I I I',
  'not-run': '    I I I I I I',
};

const WANT: Readonly<Record<string, readonly [outcome: string, word: string]>> = {
  C: ['conforming', 'ACCEPT'],
  '?': ['inconclusive', 'HOLD'],
  N: ['nonconforming', 'REJECT'],
  I: ['invalid', 'HOLD'],
  A: ['aborted', 'HOLD'],
};

const held = [{ holds: true }];
const broken = [{ holds: true }, { holds: false }];
/** The same pair with a broken gate, aborted, and both: the cell no longer matters. */
const circumstances = [
  { name: 'gates hold', gates: held, aborted: undefined, instead: undefined },
  { name: 'no gate was judged', gates: [], aborted: undefined, instead: undefined },
  { name: 'a gate does not hold', gates: broken, aborted: undefined, instead: 'I' },
  { name: 'aborted', gates: held, aborted: 'the operator stopped the run', instead: 'A' },
  { name: 'aborted, a gate does not hold', gates: broken, aborted: 'guard open', instead: 'A' },
];

function verdictNamed(name: string): Verdict {
  const verdict = VERDICTS[name];
  if (verdict === undefined) throw new Error(`no verdict ${name}`);
  return verdict;
}

test('the table has a cell for every pair of row verdicts', () => {
  expect(Object.keys(pairs)).toEqual(columns);
  expect(Object.keys(VERDICTS)).toEqual(columns);
  for (const line of Object.values(pairs)) expect(line.trim().split(/\s+/u).length).toBe(6);
});

for (const [first, line] of Object.entries(pairs)) {
  for (const [i, cell] of line.trim().split(/\s+/u).entries()) {
    const second = columns[i] ?? '';
    for (const { name, gates, aborted, instead } of circumstances) {
      const [outcome, word] = WANT[instead ?? cell] ?? [];
      test(`${first} and ${second}, ${name}: ${String(outcome)}, ${String(word)}`, () => {
        const results = [first, second].map((n) => ({ verdict: verdictNamed(n) }));
        const findings = aborted === undefined ? { results, gates } : { aborted, results, gates };
        expect(itemVerdict(findings)).toEqual({ outcome, word });
      });
    }
  }
}

const NONE: readonly (readonly [string, string, Parameters<typeof itemVerdict>[0]])[] = [
  ['no result', 'I', { results: [], gates: held }],
  ['no result and no gate', 'I', { results: [], gates: [] }],
  ['no result and a broken gate', 'I', { results: [], gates: broken }],
  ['no result, aborted', 'A', { aborted: 'stop', results: [], gates: [] }],
];

for (const [name, want, findings] of NONE) {
  test(`${name} is never ACCEPT`, () => {
    const [outcome, word] = WANT[want] ?? [];
    expect(itemVerdict(findings)).toEqual({ outcome, word });
  });
}

test('an abort without a reason is still an abort', () => {
  const results = [{ verdict: verdictNamed('conforming') }];
  expect(itemVerdict({ aborted: '', results, gates: held }).word).toBe('HOLD');
});

const where = { file: 'limits/h12.yaml', line: 1, column: 1 };

function limit(stage: string, characteristic: string, over: Partial<Limit> = {}): Limit {
  return {
    stage,
    characteristic,
    tolerance: { kind: 'between', lower: 0.0023, upper: 0.0031 },
    unit: unitOf('ms'),
    rule: 'guarded',
    label: `${characteristic} of ${stage}`,
    where,
    ...over,
  };
}

function limits(first: Limit, ...rest: readonly Limit[]): Limits {
  return {
    id: 'AS-H12',
    title: 'Acceptance H12',
    issue: 7,
    date: '2026-11-02',
    file: 'limits/h12.yaml',
    digest: '0'.repeat(64),
    procedure: 'h12',
    procedureIssue: 4,
    rows: [first, ...rest],
  };
}

function score(stage: string, characteristic: string, value: number | string): Score {
  const outcome: Score['outcome'] =
    typeof value === 'number'
      ? { kind: 'measured', value }
      : { kind: 'not-evaluated', reason: value };
  return { stage, characteristic, side: 'motor', outcome };
}

function gate(scope: string, over: Partial<Gate> = {}): Gate {
  return gateAs({
    name: 'converter clip',
    scope,
    holds: false,
    observed: 14,
    allowed: 0,
    unit: 'samples',
    blames: 'stand',
    evidence: '14 samples at the rail, 0 allowed.',
    ...over,
  });
}

const stated = { relative: 0, absolute: 0.00006 };
const base = {
  gates: [],
  uncertainty: () => stated,
  sideOf: () => 'shaft' as const,
  gatesOf: () => [],
};
const rise2 = limit('steps-2', 'rise-time');
const rise0 = limit('steps-0', 'rise-time', {
  tolerance: { kind: 'between', lower: 0.0004, upper: 0.0008 },
});
const both = limits(rise2, rise0);
const goodScores = [score('steps-2', 'rise-time', 0.0027), score('steps-0', 'rise-time', 0.0006)];

function outcomes(results: readonly Result[]): readonly string[] {
  return results.map((r) => r.verdict.outcome);
}

test('scores meet their limits by stage and characteristic, in the order of the limits', () => {
  const decision = decideAll({ ...base, limits: both, scores: [...goodScores].reverse() });
  expect(decision.verdict).toEqual({ outcome: 'conforming', word: 'ACCEPT' });
  expect(decision.results.map((r) => r.outcome)).toEqual(goodScores.map((s) => s.outcome));
  expect(decision.results.map((r) => r.name)).toEqual([
    'rise-time of steps-2',
    'rise-time of steps-0',
  ]);
  expect(decision.reason).toBe('All 2 characteristics conform to AS-H12 issue 7.');
});

test('U is the relative part of the absolute value plus the absolute part', () => {
  const torque = limit('stair', 'offset', {
    tolerance: { kind: 'between', lower: -10, upper: 10 },
    unit: unitOf('N·m'),
  });
  const [result] = decideAll({
    ...base,
    limits: limits(torque),
    scores: [score('stair', 'offset', -6)],
    uncertainty: () => ({ relative: 0.003, absolute: 0.008 }),
  }).results;
  expect(result.expanded).toBeCloseTo(0.026, 12);
});

test('a score without a limit changes nothing, a limit without a score is not run', () => {
  const extra = score('steps-9', 'rise-time', 1);
  const missing = decideAll({ ...base, limits: both, scores: [...goodScores.slice(0, 1), extra] });
  expect(outcomes(missing.results)).toEqual(['conforming', 'not-run']);
  expect(missing.results[1]?.side).toBe('shaft');
  expect(missing.results[1]?.expanded).toBeUndefined();
  expect(missing.verdict.word).toBe('HOLD');
  expect(missing.reason).toBe('Nothing can be concluded: rise-time of steps-0 not run.');
});

test('two scores for one row are a defect, not a choice', () => {
  const scores = [...goodScores, score('steps-2', 'rise-time', 0.0028)];
  expect(() => decideAll({ ...base, limits: both, scores })).toThrow(
    'two scores claim steps-2.rise-time',
  );
});

test('a gate of one stage invalidates the rows of that stage only, and holds the item', () => {
  const decision = decideAll({
    ...base,
    limits: both,
    scores: goodScores,
    gates: [gate('steps-2'), gate('steps-0', { name: 'hum', holds: true })],
  });
  expect(decision.results.map((r) => r.verdict)).toEqual([
    { outcome: 'invalid', reasons: ['gate "converter clip"'] },
    { outcome: 'conforming' },
  ]);
  expect(decision.verdict.word).toBe('HOLD');
  expect(decision.reason).toBe(
    'Nothing can be concluded: gate "converter clip" of stage "steps-2" does not hold and points at the stand (14 samples at the rail, 0 allowed).',
  );
});

test('of several gates the first is told with its evidence, the others by name and once', () => {
  const decision = decideAll({
    ...base,
    limits: both,
    scores: goodScores,
    gates: [gate('steps-2'), gate('steps-0'), gate('run', { name: 'stand resonance' })],
  });
  expect(decision.reason).toMatch(
    /^Nothing can be concluded: gate "converter clip" of stage "steps-2" .*; nor does "stand resonance"\.$/u,
  );
});

test('a gate of the run invalidates every row that has a score; one that was never run stays so', () => {
  const decision = decideAll({
    ...base,
    limits: both,
    scores: goodScores.slice(0, 1),
    gates: [gate('run', { name: 'zero return', blames: 'item' })],
  });
  expect(outcomes(decision.results)).toEqual(['invalid', 'not-run']);
  expect(decision.reason).toContain('gate "zero return" does not hold and points at the item');
});

test('a stage that was not fit to be scored is invalid by its gate, not merely not run', () => {
  const decision = decideAll({ ...base, limits: both, scores: [], gates: [gate('steps-2')] });
  expect(outcomes(decision.results)).toEqual(['invalid', 'not-run']);
});

test('a gate of a stage that feeds no limit still holds the item', () => {
  const decision = decideAll({
    ...base,
    limits: both,
    scores: goodScores,
    gates: [gate('close', { name: 'zero return' })],
  });
  expect(outcomes(decision.results)).toEqual(['conforming', 'conforming']);
  expect(decision.verdict).toEqual({ outcome: 'invalid', word: 'HOLD' });
});

test('what was not evaluated is invalid with its reason', () => {
  const scores = [score('steps-2', 'rise-time', 'no edge was found.'), ...goodScores.slice(1)];
  const decision = decideAll({ ...base, limits: both, scores });
  expect(decision.results[0].verdict).toEqual({
    outcome: 'invalid',
    reasons: ['no edge was found.'],
  });
  expect(decision.reason).toBe(
    'Nothing can be concluded: rise-time of steps-2: no edge was found.',
  );
});

test('a guarded row without a stated U is invalid, a simple one is decided', () => {
  const simple = limit('steps-0', 'rise-time', { rule: 'simple', tolerance: rise0.tolerance });
  const decision = decideAll({
    ...base,
    limits: limits(rise2, simple),
    scores: goodScores,
    uncertainty: () => undefined,
  });
  expect(outcomes(decision.results)).toEqual(['invalid', 'conforming']);
  expect(decision.reason).toBe('Nothing can be concluded: rise-time of steps-2: U not stated.');
});

test('an aborted attempt says why, whatever was measured before', () => {
  const decision = decideAll({
    ...base,
    limits: both,
    scores: goodScores,
    aborted: 'The operator stopped the run.',
  });
  expect(decision.verdict).toEqual({ outcome: 'aborted', word: 'HOLD' });
  expect(decision.reason).toBe('The attempt was broken off: The operator stopped the run.');
});

const five = limits(limit('a', 'x'), ...['b', 'c', 'd', 'e'].map((stage) => limit(stage, 'x')));
const fiveScores = (values: readonly number[]): readonly Score[] =>
  values.map((value, i) => score('abcde'[i] ?? '', 'x', value));

test('the sentence names the three rows farthest out, worst first, with ± U and the allowed range', () => {
  const scores = fiveScores([0.00342, 0.0027, 0.0018, 0.0039, 0.0034]);
  const decision = decideAll({ ...base, limits: five, scores });
  expect(decision.verdict.word).toBe('REJECT');
  expect(decision.reason).toBe(
    '4 characteristics do not conform to AS-H12 issue 7: ' +
      'x of d is 3.900 ± 0.060 ms, allowed 2.30 … 3.10 ms; ' +
      'x of c is 1.800 ± 0.060 ms, allowed 2.30 … 3.10 ms; ' +
      'x of a is 3.420 ± 0.060 ms, allowed 2.30 … 3.10 ms; and 1 more.',
  );
});

test('an inconclusive item is told how near its rows are', () => {
  const scores = fiveScores([0.0027, 0.00308, 0.0027, 0.00312, 0.0027]);
  const decision = decideAll({ ...base, limits: five, scores });
  expect(decision.verdict).toEqual({ outcome: 'inconclusive', word: 'HOLD' });
  expect(decision.reason).toBe(
    '2 characteristics are nearer to a limit of AS-H12 issue 7 than U: ' +
      'x of d is 3.120 ± 0.060 ms, allowed 2.30 … 3.10 ms; ' +
      'x of b is 3.080 ± 0.060 ms, allowed 2.30 … 3.10 ms.',
  );
});

test('one-sided limits of 0 and without a unit read well', () => {
  const missing = limit('field', 'missing updates', {
    tolerance: { kind: 'at-most', upper: 0 },
    unit: unitOf('count'),
    rule: 'simple',
  });
  const ratio = limit('sweep', 'grain ratio', {
    tolerance: { kind: 'at-most', upper: 0.93 },
    unit: unitOf('1'),
    rule: 'simple',
  });
  const decision = decideAll({
    ...base,
    limits: limits(ratio, missing),
    scores: [score('field', 'missing updates', 3), score('sweep', 'grain ratio', 1.08)],
    uncertainty: () => undefined,
  });
  expect(decision.reason).toBe(
    '2 characteristics do not conform to AS-H12 issue 7: ' +
      'missing updates of field is 3, allowed ≤ 0; ' +
      'grain ratio of sweep is 1.08, allowed ≤ 0.93.',
  );
});

test('a reason for nothing at all says so', () => {
  expect(reasonSentence({ results: [], gates: [] }, both)).toBe(
    'Nothing can be concluded: no characteristic was evaluated.',
  );
});
