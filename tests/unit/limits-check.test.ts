import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { isNote } from '../../src/base/report.js';
import { DEFAULT_FOLDERS, readDocuments } from '../../src/run/documents.js';
import { checkLimitsText } from '../../src/run/limits-check.js';

const documents = readDocuments(DEFAULT_FOLDERS);
const TEXT = readFileSync('limits/as-h12.yaml', 'utf8');

/** What is replaced by what, the code that must be found, and the text its place points at. */
const FAULTS: readonly {
  readonly name: string;
  readonly from: string;
  readonly to: string;
  readonly code: string;
  readonly at: string;
  readonly unread: readonly string[];
}[] = [
  {
    name: 'a limit in another unit',
    from: 'to: 8.0 ms, rule: simple',
    to: 'to: 8.0 N·m, rule: simple',
    code: 'procedure/unit-mismatch',
    at: "{ label: 'settling",
    unread: [],
  },
  {
    name: 'ends in two units',
    from: 'to: 6.6 N·m/ms',
    to: 'to: 6.6 N·m',
    code: 'procedure/unit-mismatch',
    at: '',
    unread: ['full-step.slew-rate'],
  },
  {
    name: 'ends the wrong way round',
    from: 'from: 0.35 ms, to: 1.00 ms',
    to: 'from: 1.35 ms, to: 1.00 ms',
    code: 'limits/order',
    at: '',
    unread: ['steps-0.dead-time'],
  },
  {
    name: 'a characteristic nobody knows',
    from: 'steps-0.overshoot:',
    to: 'steps-0.overshot:',
    code: 'limits/unknown',
    at: "{ label: 'overshoot, motor",
    unread: [],
  },
  {
    name: 'a bare number',
    from: 'to: 80 mN·m',
    to: 'to: 80',
    code: 'procedure/bare-number',
    at: '80',
    unread: ['cogging.cogging'],
  },
  {
    name: 'a key that stands twice',
    from: 'issue: 1',
    to: 'issue: 2\nissue: 1',
    code: 'yaml/duplicate-key',
    at: 'issue',
    unread: [],
  },
];

for (const { name, from, to, code, at, unread } of FAULTS) {
  test(`${name} is found at its place`, () => {
    expect(TEXT).toContain(from);
    const text = TEXT.replace(from, to);
    const found = checkLimitsText(text, 'limits/as-h12.yaml', documents);
    const problem = found.problems.find((one) => !isNote(one));
    expect(problem?.code).toBe(code);
    const line = text.split('\n')[(problem?.where?.line ?? 0) - 1] ?? '';
    expect(line.slice((problem?.where?.column ?? 0) - 1)).toContain(at);
    expect(found.unread.map(({ row }) => row)).toEqual(unread);
  });
}

test('the shipped limits have nothing to correct and every row is read', () => {
  const found = checkLimitsText(TEXT, 'limits/as-h12.yaml', documents);
  expect(found.problems.filter((problem) => !isNote(problem))).toEqual([]);
  expect(found.limits?.rows.length).toBeGreaterThan(40);
});

test('one row that cannot be read hides no other', () => {
  const broken = TEXT.replace('to: 80 mN·m', 'to: 80');
  const { limits, unread } = checkLimitsText(broken, 'limits/as-h12.yaml', documents);
  const whole = checkLimitsText(TEXT, 'limits/as-h12.yaml', documents).limits;
  expect(unread).toHaveLength(1);
  expect(limits?.rows).toHaveLength((whole?.rows.length ?? 0) - 1);
});

test('limits of a procedure that is not there say so', () => {
  const text = TEXT.replace('id: h12-acceptance', 'id: h13-acceptance');
  const { problems } = checkLimitsText(text, 'limits/as-h12.yaml', documents);
  expect(problems.map(({ code }) => code)).toEqual(['document/mismatch']);
});
