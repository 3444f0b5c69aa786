import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { readDialect } from '../../src/procedure/dialect.js';
import { documentKindOf } from '../../src/procedure/schema.js';

const FILES = { digitizer: 'digitizer.yaml', generator: 'generator.yaml' } as const;
const shipped = (name: keyof typeof FILES): string =>
  readFileSync(new URL(`../../procedures/links/${FILES[name]}`, import.meta.url), 'utf8');

function problemsOf(text: string): readonly Problem[] {
  try {
    readDialect(text, 'x.yaml');
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

/** Changes one text of a shipped dialect that stands there once. */
function changed(name: keyof typeof FILES, old: string, now: string): string {
  const text = shipped(name);
  expect(text.split(old)).toHaveLength(2);
  return text.replace(old, now);
}

test('the shipped dialect of the digitizer is read, its quantities in base units', () => {
  const dialect = readDialect(shipped('digitizer'), FILES.digitizer);
  expect(dialect.role).toBe('digitizer');
  expect(dialect.acts.get('rate')).toEqual(['SENS:SWE:RATE {rate}']);
  expect(dialect.acts.get('prepare')).toEqual(['*CLS', 'FORM REAL,32', 'FORM:BORD SWAP']);
  expect(dialect.questions.get('blocks')).toBe('FETC? {from},{count}');
  expect(dialect.facts.get('range')).toBe(10);
  expect(dialect.facts.get('rates')).toBe('20000');
  expect(dialect.facts.get('waiting')).toBe(32);
});

test('the shipped dialect of the generator is read, lists as one text', () => {
  const dialect = readDialect(shipped('generator'), FILES.generator);
  expect(dialect.role).toBe('drive');
  expect(dialect.facts.get('torque-per-volt')).toBe(1.2);
  expect(dialect.facts.get('dead-man-from')).toBe(0.02);
  expect(dialect.facts.get('smoothing')).toBe('0 1 2 3 4 5');
  expect(dialect.facts.get('report')).toBe('updates missing gap jitter duty time fault enabled');
  expect(documentKindOf(shipped('generator'), FILES.generator)).toBe('dialect');
});

test('comments do not change the digest, a changed command does', () => {
  const digest = (text: string): string => readDialect(text, 'x.yaml').digest;
  const text = shipped('generator');
  expect(digest(`# more\n${text}`)).toBe(digest(text));
  expect(digest(changed('generator', 'OUTP:LIM {ceiling}', 'OUTP:LIMI {ceiling}'))).not.toBe(
    digest(text),
  );
});

const wrong: readonly (readonly [
  name: string,
  of: keyof typeof FILES,
  old: string,
  now: string,
  what: RegExp,
])[] = [
  [
    'an unknown name in braces',
    'digitizer',
    'RATE {rate}',
    'RATE {rat}',
    /\{rat\} stands for nothing/u,
  ],
  ['a value that is never sent', 'generator', 'LIM {ceiling}', 'LIM 3', /sends no \{ceiling\}/u],
  [
    'a brace without the other',
    'digitizer',
    'ANGL {angle}',
    'ANGL {angle} {',
    /no other to close it/u,
  ],
  ['a question without ?', 'digitizer', 'SENS:CHAN:COUN?', 'SENS:CHAN:COUN', /asks nothing/u],
  ['two queries in one', 'digitizer', 'SENS:HUM?', 'SENS:HUM?;TEMP?', /more than one query/u],
  ['an act that asks', 'generator', 'start: INIT', 'start: INIT;*OPC?', /nobody reads the answer/u],
  ['an unknown act', 'digitizer', 'arm: INIT', 'arn: INIT', /has no act "arn"/u],
  ['an act of the other role', 'digitizer', 'arm: INIT', 'feed: INIT', /has no act "feed"/u],
  ['a missing act', 'generator', "'off': OUTP OFF", '', /needs the act off/u],
  ['a missing question', 'generator', 'output: OUTP?', '', /needs the question output/u],
  [
    'a missing fact',
    'generator',
    'torque-per-volt: 1.2 N·m',
    '',
    /needs the fact torque-per-volt/u,
  ],
  [
    'a feed without a dead-man',
    'generator',
    'dead-man: OUTP:WATC {dead-man}',
    '',
    /"feed" is of no/u,
  ],
  [
    'a bare number',
    'generator',
    'torque-per-volt: 1.2 N·m',
    'torque-per-volt: 1.2',
    /without a unit|a text/u,
  ],
  ['another dimension', 'digitizer', 'range: 10 V', 'range: 10 A', /must be a voltage/u],
  ['no torque for a volt', 'generator', '1.2 N·m', '0 N·m', /gives 0 N·m/u],
  ['counts without volts', 'generator', 'format: f64', 'format: i16', /how many volts one is/u],
  ['no time told', 'generator', 'duty, time, fault', 'duty, fault', /tells no time/u],
  ['a value told twice', 'generator', 'duty, time,', 'time, time,', /tells time twice/u],
  ['a dead-man upside down', 'generator', 'dead-man-to: 1 s', 'dead-man-to: 1 ms', /from 0.02 s/u],
  ['a block in the middle', 'generator', 'DATA {block}', 'DATA {block},1', /follows the block/u],
  [
    'an unknown role',
    'generator',
    'role: drive',
    'role: actuator',
    /must be "digitizer" or "drive"/u,
  ],
  ['no count of inputs', 'digitizer', 'inputs: SENS:CHAN:COUN?', '', /how many inputs/u],
];

for (const [name, of, old, now, what] of wrong) {
  test(`${name} is told at its place`, () => {
    const problems = problemsOf(changed(of, old, now));
    expect(problems.map((one) => one.what).join('\n')).toMatch(what);
    for (const one of problems) expect(one.where?.line).toBeGreaterThan(0);
  });
}

test('all problems are told at once, each on its line', () => {
  const text = shipped('generator')
    .replace('OUTP:LIM {ceiling}', 'OUTP:LIM {cieling}')
    .replace('output: OUTP?', 'output: OUTP')
    .replace('start: INIT', 'strat: INIT')
    .replace('range: 10 V', 'range: 10 N·m');
  const lines = text.split('\n');
  const placed = problemsOf(text).map((one) => lines[(one.where?.line ?? 0) - 1]?.trim());
  expect(placed).toEqual([
    'acts:',
    'ceiling: OUTP:LIM {cieling} # N·m',
    'strat: INIT',
    'output: OUTP',
    'range: 10 N·m',
  ]);
});

test('a document that is no dialect at all ends in problems, not in a defect', () => {
  for (const text of ['', '[]', 'dialect: 1', 'role: drive', 'role: drive\nacts: 3\nfacts: []\n']) {
    expect(problemsOf(text).length).toBeGreaterThan(0);
  }
});

test('names of Object are no names of a dialect', () => {
  const text = changed('generator', 'complete:', 'constructor: X?\n  complete:');
  expect(problemsOf(text).map((one) => one.what)).toEqual([
    'A drive has no question "constructor".',
  ]);
});
