import { expect, test } from 'vitest';
import type { Problem } from '../../src/base/error.js';
import {
  isNote,
  nearestNames,
  oneOf,
  problemsAsJson,
  problemsAsText,
  writeInstead,
} from '../../src/base/report.js';

const source = ['one', '', '      level: 3.5 V'].join('\n');
const problem: Problem = {
  code: 'procedure/unit-mismatch',
  where: { file: 'procedures/hold.yaml', line: 3, column: 14, length: 5 },
  what: 'The level is 3.5 V, but must be a torque in N·m.',
  fix: 'Write it in N·m.',
};

test('a problem is drawn with place, code, finding, excerpt, caret and order', () => {
  expect(problemsAsText([problem], () => source)).toBe(
    [
      'procedures/hold.yaml:3:14  procedure/unit-mismatch',
      '  The level is 3.5 V, but must be a torque in N·m.',
      '  3 |       level: 3.5 V',
      '    |              ^^^^^',
      '  Fix: write it in N·m.',
      '',
    ].join('\n'),
  );
});

test('two problems are two blocks with an empty line between them', () => {
  const plain: Problem = { code: 'usage/argument', what: 'No serial.', fix: 'Scan one.' };
  expect(problemsAsText([plain, plain])).toBe(
    'usage/argument\n  No serial.\n  Fix: scan one.\n\nusage/argument\n  No serial.\n  Fix: scan one.\n',
  );
  expect(problemsAsText([])).toBe('');
});

test('without a text to quote, or for a whole file, the excerpt is left out', () => {
  expect(problemsAsText([problem], () => undefined)).not.toContain('^');
  const whole = { ...problem, where: { file: 'f', line: 1, column: 1, length: 0 } };
  expect(problemsAsText([whole], () => source)).not.toContain('|');
});

test('carets stop at the end of the line and are at least one', () => {
  const long = { ...problem, where: { file: 'f', line: 3, column: 14, length: 500 } };
  expect(problemsAsText([long], () => source)).toMatch(/\| {14}\^{5}\n/);
  const end = { ...problem, where: { file: 'f', line: 2, column: 1 } };
  expect(problemsAsText([end], () => source)).toContain('  2 |\n    | ^\n');
});

test('control characters of a file do not reach the terminal', () => {
  const text = problemsAsText([problem], () => 'a\nb\n      level: \u001b[31m V');
  expect(text).not.toContain('\u001b');
});

test('a line of 1000 characters is cut around the finding, which stays under the caret', () => {
  const line = `${'x'.repeat(700)}HERE${'y'.repeat(300)}`;
  const far = { ...problem, where: { file: 'f', line: 1, column: 701, length: 4 } };
  const [, , excerpt = '', caret = ''] = problemsAsText([far], () => line).split('\n');
  expect(excerpt.length).toBeLessThan(120);
  expect(excerpt.slice(caret.indexOf('^'), caret.lastIndexOf('^') + 1)).toBe('HERE');
});

test('JSON carries the same values with the place flattened', () => {
  expect(JSON.parse(problemsAsJson([problem]))).toEqual([
    { code: problem.code, note: false, ...problem.where, what: problem.what, fix: problem.fix },
  ]);
});

test('notes are the two codes that refuse nothing', () => {
  expect(isNote({ ...problem, code: 'limits/unused-stage' })).toBe(true);
  expect(isNote({ ...problem, code: 'limits/wide-uncertainty' })).toBe(true);
  expect(isNote(problem)).toBe(false);
});

const names = ['rise-time', 'dead-time', 'lag', 'lag-updates', 'deadband', 'noise'];
const spelled = [
  { written: 'rise-tim', want: ['rise-time'] },
  { written: 'rsie-time', want: ['rise-time'] },
  { written: 'Rise-Time', want: ['rise-time'] },
  { written: 'dead-tiem', want: ['dead-time'] },
  { written: 'lga', want: ['lag'] },
  { written: 'torque', want: [] },
];
for (const { written, want } of spelled) {
  test(`"${written}" was meant to be ${want.join(', ') || 'nothing known'}`, () => {
    expect(nearestNames(written, names)).toEqual(want);
  });
}

test('at most three names are suggested, nearest first', () => {
  expect(nearestNames('abcdef', ['abcdeg', 'abcdxx', 'abcdeh', 'abcdei', 'abcdef'])).toEqual([
    'abcdef',
    'abcdeg',
    'abcdeh',
  ]);
});

test('names are joined as people write them', () => {
  expect(oneOf(['a'])).toBe('"a"');
  expect(oneOf(['a', 'b'])).toBe('"a" or "b"');
  expect(oneOf(['a', 'b', 'c'])).toBe('"a", "b" or "c"');
  expect(writeInstead('nois', names, 'Delete it.')).toBe('Write "noise".');
  expect(writeInstead('xxxx', names, 'Delete it.')).toBe('Delete it.');
});
