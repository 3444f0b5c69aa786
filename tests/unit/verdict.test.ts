import { expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import type { Gate } from '../../src/capture/gate.js';
import type { ItemVerdict, Result, Verdict } from '../../src/decision/decision.js';
import { itemVerdict, type Findings } from '../../src/decision/item-verdict.js';
import { reasonSentence } from '../../src/decision/reason.js';
import { decideAll } from '../../src/decision/verdict.js';
import type { Limit, Limits } from '../../src/procedure/limits.js';
import type { Score } from '../../src/scoring/scoring.js';
import { budgetOf } from '../support/budget.js';
import { gateAs } from '../support/stand.js';

const VERDICTS: Readonly<Record<string, Verdict>> = {
  conforming: { outcome: 'conforming' },
  'inside on condition': { outcome: 'conditional', side: 'inside' },
  'outside on condition': { outcome: 'conditional', side: 'outside' },
  inside: { outcome: 'inconclusive', side: 'inside' },
  outside: { outcome: 'inconclusive', side: 'outside' },
  nonconforming: { outcome: 'nonconforming' },
  invalid: { outcome: 'invalid', reasons: ['clipped'] },
  'not-run': { outcome: 'not-run' },
};

const columns = Object.keys(VERDICTS);
/**
 * Two rows of one attempt that ran to its end with every gate holding: C conforming, i conforming and o
 * nonconforming on condition, ? inconclusive, N nonconforming, I invalid. The line is the first row, the
 * column the second, in the order of VERDICTS.
 */
const pairs: Readonly<Record<string, string>> = {
  conforming: '            C i o ? ? N I I',
  'inside on condition': ' i i o ? ? N I I',
  'outside on condition': 'o o o ? ? N I I',
  inside: '                ? ? ? ? ? N I I',
  outside: '               ? ? ? ? ? N I I',
  nonconforming: '         N N N N N N I I',
  invalid: '               I I I I I I I I',
  'not-run': '             I I I I I I I I',
};

const WANT: Readonly<Record<string, ItemVerdict>> = {
  C: { outcome: 'conforming', word: 'ACCEPT' },
  i: { outcome: 'conditional', side: 'inside', word: 'ACCEPT' },
  o: { outcome: 'conditional', side: 'outside', word: 'HOLD' },
  '?': { outcome: 'inconclusive', word: 'HOLD' },
  N: { outcome: 'nonconforming', word: 'REJECT' },
  I: { outcome: 'invalid', word: 'HOLD' },
  A: { outcome: 'aborted', word: 'HOLD' },
};

const item = { holds: true, blames: 'item' } as const;
const stand = { holds: true, blames: 'stand' } as const;
const held = [item, stand];
const itemGate = [{ ...item, holds: false }, stand];
const standGate = [item, { ...stand, holds: false }];
const itemFault = { what: 'The device reports fault 14.', evidence: 'The supply was kept.' };
const stopped = { aborted: 'the operator stopped the run' };
/** The same pair in other circumstances, in which the cell no longer matters. */
const circumstances: readonly {
  readonly name: string;
  readonly instead?: string;
  readonly given: Omit<Findings, 'results'>;
}[] = [
  { name: 'gates hold', given: { gates: held } },
  { name: 'no gate was judged', given: { gates: [] } },
  { name: 'a gate does not hold', instead: 'I', given: { gates: standGate } },
  { name: 'a gate on the item does not hold', instead: 'I', given: { gates: itemGate } },
  { name: 'aborted', instead: 'A', given: { ...stopped, gates: held } },
  { name: 'aborted, a gate does not hold', instead: 'A', given: { ...stopped, gates: standGate } },
  { name: 'a fault of the item', instead: 'N', given: { itemFault, gates: held } },
  {
    name: 'a fault of the item broke it off, its gate closed',
    instead: 'N',
    given: { itemFault, ...stopped, gates: itemGate },
  },
  {
    name: 'a fault of the item, but a gate on the stand closed',
    instead: 'I',
    given: { itemFault, gates: standGate },
  },
  {
    name: 'a fault of the item broke it off, but a gate on the stand closed',
    instead: 'A',
    given: { itemFault, ...stopped, gates: standGate },
  },
];

function verdictNamed(name: string): Verdict {
  const verdict = VERDICTS[name];
  if (verdict === undefined) throw new Error(`no verdict ${name}`);
  return verdict;
}

test('the table has a cell for every pair of row verdicts', () => {
  expect(Object.keys(pairs)).toEqual(columns);
  for (const line of Object.values(pairs)) {
    expect(line.trim().split(/\s+/u)).toHaveLength(columns.length);
  }
});

for (const [first, line] of Object.entries(pairs)) {
  for (const [i, cell] of line.trim().split(/\s+/u).entries()) {
    const second = columns[i] ?? '';
    for (const { name, given, instead } of circumstances) {
      const want = WANT[instead ?? cell];
      test(`${first} and ${second}, ${name}: ${String(want?.outcome)}, ${String(want?.word)}`, () => {
        const results = [first, second].map((n) => ({ verdict: verdictNamed(n) }));
        expect(itemVerdict({ ...given, results })).toEqual(want);
      });
    }
  }
}

const NONE: readonly (readonly [string, string, Parameters<typeof itemVerdict>[0]])[] = [
  ['no result', 'I', { results: [], gates: held }],
  ['no result and no gate', 'I', { results: [], gates: [] }],
  ['no result and a broken gate', 'I', { results: [], gates: standGate }],
  ['no result, aborted', 'A', { aborted: 'stop', results: [], gates: [] }],
];

for (const [name, want, findings] of NONE) {
  test(`${name} is never ACCEPT`, () => {
    expect(itemVerdict(findings)).toEqual(WANT[want]);
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

const stated = budgetOf(0, 0.00006);
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
    uncertainty: () => budgetOf(0.003, 0.008),
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

const four = limits(limit('a', 'x', { rule: 'four-way' }), limit('b', 'x', { rule: 'four-way' }));
const CONDITIONS: readonly (readonly [
  values: readonly number[],
  want: ItemVerdict,
  reason: string,
])[] = [
  [
    [0.0027, 0.00308],
    { outcome: 'conditional', side: 'inside', word: 'ACCEPT' },
    'The item conforms to AS-H12 issue 7; 1 characteristic only conditionally: x of b is 3.080 ± 0.060 ms, allowed 2.30 … 3.10 ms.',
  ],
  [
    [0.00231, 0.00308],
    { outcome: 'conditional', side: 'inside', word: 'ACCEPT' },
    'The item conforms to AS-H12 issue 7; 2 characteristics only conditionally: x of a is 2.310 ± 0.060 ms, allowed 2.30 … 3.10 ms; x of b is 3.080 ± 0.060 ms, allowed 2.30 … 3.10 ms.',
  ],
  [
    [0.00312, 0.00308],
    { outcome: 'conditional', side: 'outside', word: 'HOLD' },
    '1 characteristic is outside a limit of AS-H12 issue 7, by no more than U: x of a is 3.120 ± 0.060 ms, allowed 2.30 … 3.10 ms.',
  ],
  [
    [0.00317, 0.00308],
    { outcome: 'nonconforming', word: 'REJECT' },
    '1 characteristic does not conform to AS-H12 issue 7: x of a is 3.170 ± 0.060 ms, allowed 2.30 … 3.10 ms.',
  ],
];

for (const [values, want, reason] of CONDITIONS) {
  test(`four-way: ${values.join(' and ')} s is ${want.outcome}, ${want.word}, with its reason`, () => {
    const decision = decideAll({ ...base, limits: four, scores: fiveScores(values) });
    expect(decision.verdict).toEqual(want);
    expect(decision.reason).toBe(reason);
  });
}

test('a value outside that guarded rejection accepts is named as outside', () => {
  const relaxed = limits(limit('a', 'x', { rule: 'guarded-rejection' }), limit('b', 'x'));
  const decision = decideAll({ ...base, limits: relaxed, scores: fiveScores([0.00314, 0.0027]) });
  expect(decision.verdict).toEqual({ outcome: 'conforming', word: 'ACCEPT' });
  expect(decision.reason).toBe(
    'All 2 characteristics conform to AS-H12 issue 7; 1 characteristic is outside a limit by no more than U, which guarded rejection accepts: x of a is 3.140 ± 0.060 ms, allowed 2.30 … 3.10 ms.',
  );
});

test('a fault that broke the attempt off rejects the item and says why, with its evidence', () => {
  const decision = decideAll({ ...base, limits: both, scores: [], itemFault });
  expect(decision.verdict).toEqual({ outcome: 'nonconforming', word: 'REJECT' });
  expect(decision.itemFault).toEqual(itemFault);
  expect(decision.reason).toBe(
    'The item itself is at fault: The device reports fault 14. The supply was kept.',
  );
});

test('a gate on the stand takes the fault of the item away again', () => {
  const decision = decideAll({
    ...base,
    limits: both,
    scores: [],
    itemFault,
    gates: [gate('steps-2')],
  });
  expect(decision.verdict).toEqual({ outcome: 'invalid', word: 'HOLD' });
  expect(decision.itemFault).toBeUndefined();
  expect(decision.reason).toContain('points at the stand');
});

test('what the gates alone prove is found without being told', () => {
  const closed = gate('run', { id: 'polarity', name: 'polarity', blames: 'item' });
  const holding = ['shunt', 'zero-noise'].map((id) => gate('run', { id, name: id, holds: true }));
  const decide = (gates: readonly Gate[]): string =>
    decideAll({ ...base, limits: both, scores: goodScores, gates }).verdict.word;
  expect(decide([closed, ...holding])).toBe('REJECT');
  expect(decide([closed])).toBe('HOLD');
});
