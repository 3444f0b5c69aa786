import { expect, test } from 'vitest';
import type { Session, Training } from '../../src/people/people.js';
import { trainingProblems } from '../../src/people/training.js';

const one: Training = {
  procedure: 'h12-acceptance',
  issue: 3,
  toIssue: 3,
  on: '2026-03-01',
  until: '2026-11-25',
};

function session(training: readonly Training[], zone = 'Europe/Berlin'): Session {
  const who = { id: 'OP-1', name: 'O. Operator', roles: ['operator'] } as const;
  return { ...who, at: 0, means: 'authenticated', training, zone };
}

const cases: readonly (readonly [
  name: string,
  training: readonly Training[],
  issue: number,
  now: string,
  mayRun: boolean,
])[] = [
  ['trained on this issue', [one], 3, '2026-11-24T12:00:00Z', true],
  ['never trained', [], 3, '2026-11-24T12:00:00Z', false],
  ['trained on another procedure', [{ ...one, procedure: 'h9' }], 3, '2026-11-24T12:00:00Z', false],
  ['trained on the issue before', [one], 4, '2026-11-24T12:00:00Z', false],
  ['trained on the issue after', [one], 2, '2026-11-24T12:00:00Z', false],
  ['trained on a range', [{ ...one, toIssue: 5 }], 5, '2026-11-24T12:00:00Z', true],
  ['just beyond the range', [{ ...one, toIssue: 5 }], 6, '2026-11-24T12:00:00Z', false],
  // Berlin is one hour ahead of UTC in November: its day ends at 23:00 UTC.
  ['last second of the last day', [one], 3, '2026-11-25T22:59:59.999Z', true],
  ['first second after it', [one], 3, '2026-11-25T23:00:00Z', false],
  ['first second of the first day', [one], 3, '2026-02-28T23:00:00Z', true],
  ['the second before', [one], 3, '2026-02-28T22:59:59.999Z', false],
  [
    'expired once, and trained again',
    [one, { ...one, on: '2026-11-26', until: '2027-11-25' }],
    3,
    '2027-01-01T12:00:00Z',
    true,
  ],
];

for (const [name, training, issue, now, mayRun] of cases) {
  test(`${name}: ${mayRun ? 'may run' : 'may view, not run'} issue ${issue}`, () => {
    const procedure = { id: 'h12-acceptance', issue };
    const problems = trainingProblems(session(training), procedure, Date.parse(now));
    expect(problems.map(({ code }) => code)).toEqual(mayRun ? [] : ['people/training']);
    if (!mayRun) expect(problems[0]?.what).toContain('may view but not run');
  });
}

test('the day after the clocks were put back ends an hour later in UTC', () => {
  const autumn = session([{ ...one, until: '2026-10-25' }]);
  const at = (time: string): number =>
    trainingProblems(autumn, { id: one.procedure, issue: 3 }, Date.parse(time)).length;
  expect(at('2026-10-25T22:59:59Z')).toBe(0);
  expect(at('2026-10-25T23:00:00Z')).toBe(1);
});

test('a name that was only stated has no training to hold against it', () => {
  const stated: Session = { ...session([]), means: 'stated' };
  expect(trainingProblems(stated, { id: 'h12-acceptance', issue: 3 }, 0)).toEqual([]);
});
