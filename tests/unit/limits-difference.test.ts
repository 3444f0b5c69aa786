import { expect, test } from 'vitest';
import { RULES } from '../../src/decision/rules.js';
import { limitsDifference, type LimitChange } from '../../src/procedure/limits-difference.js';
import { readLimits } from '../../src/procedure/schema.js';

const HEAD = `limits: AS-H12
title: Acceptance specification H12
issue: 10
date: 2026-11-28
procedure: { id: h12-acceptance, issue: 4 }
rule: guarded
rows:
`;
const OVERSHOOT = "  steps-2.overshoot: { label: 'overshoot', to: 6 % }\n";
const OFFSET = "  idle.zero-offset: { label: 'zero offset', from: -60 mN·m, to: 60 mN·m }\n";
const BEFORE = HEAD + OVERSHOOT + OFFSET;

/** What is replaced in the text by what, and what that is called. */
const CHANGES: readonly {
  readonly name: string;
  readonly from: string;
  readonly to: string;
  readonly want: readonly Pick<LimitChange, 'way' | 'words' | 'line'>[];
}[] = [
  {
    name: 'an upper limit that rises is wider',
    from: 'to: 6 %',
    to: 'to: 8 %',
    want: [{ way: 'wider', words: 'Upper limit of steps-2.overshoot widened 6 % → 8 %.', line: 8 }],
  },
  {
    name: 'a lower limit that rises is narrower, with the minus sign of print',
    from: 'from: -60 mN·m',
    to: 'from: -40 mN·m',
    want: [
      {
        way: 'narrower',
        words: 'Lower limit of idle.zero-offset narrowed −60 mN·m → −40 mN·m.',
        line: 9,
      },
    ],
  },
  {
    name: 'a limit that is new narrows',
    from: 'to: 6 %',
    to: 'from: 1 %, to: 6 %',
    want: [{ way: 'narrower', words: 'Lower limit of steps-2.overshoot added: 1 %.', line: 8 }],
  },
  {
    name: 'a limit that goes widens',
    from: 'from: -60 mN·m, to',
    to: 'to',
    want: [
      {
        way: 'wider',
        words: 'Lower limit of idle.zero-offset removed; it was −60 mN·m.',
        line: 9,
      },
    ],
  },
  {
    name: 'a rule of one row that accepts more is looser',
    from: 'to: 6 %',
    to: 'to: 6 %, rule: simple',
    want: [
      { way: 'looser', words: 'Rule of steps-2.overshoot changed guarded → simple.', line: 8 },
    ],
  },
  {
    name: 'a rule of the file changes every row that names none',
    from: 'rule: guarded',
    to: 'rule: guarded-rejection',
    want: [
      {
        way: 'looser',
        words: 'Rule of steps-2.overshoot changed guarded → guarded-rejection.',
        line: 8,
      },
      {
        way: 'looser',
        words: 'Rule of idle.zero-offset changed guarded → guarded-rejection.',
        line: 9,
      },
    ],
  },
  {
    name: 'a row that is added is told with what it allows',
    from: OFFSET,
    to: `${OFFSET}  peak.peak-torque: { label: peak, from: 11.2 N·m, rule: simple }\n`,
    want: [{ way: 'added', words: 'peak.peak-torque added: from 11.2 N·m, simple.', line: 10 }],
  },
  {
    name: 'a row that is removed has no line',
    from: OVERSHOOT,
    to: '',
    want: [{ way: 'removed', words: 'steps-2.overshoot removed; it was to 6 %, guarded.' }],
  },
  {
    name: 'a spread of the process that is stated decides nothing',
    from: 'to: 6 %',
    to: 'to: 6 %, process: { mean: 3 %, sd: 0.5 % }',
    want: [
      {
        way: 'wording',
        words: 'Process of steps-2.overshoot changed none → 3 % ± 0.5 %.',
        line: 8,
      },
    ],
  },
  {
    name: 'an issue and its date belong to the file',
    from: 'issue: 10\ndate: 2026-11-28',
    to: 'issue: 11\ndate: 2026-11-30',
    want: [
      { way: 'wording', words: 'Issue changed 10 → 11.' },
      { way: 'wording', words: 'Date changed 2026-11-28 → 2026-11-30.' },
    ],
  },
  {
    name: 'the same value in another unit is no other limit',
    from: 'from: -60 mN·m, to: 60 mN·m',
    to: 'from: -0.06 N·m, to: 0.06 N·m',
    want: [
      { way: 'wording', words: 'idle.zero-offset is written in N·m instead of mN·m.', line: 9 },
    ],
  },
  {
    name: 'a comment and a blank line are no change',
    from: 'rows:',
    to: '# why these\n\nrows:',
    want: [],
  },
];

const read = (text: string): ReturnType<typeof readLimits> => readLimits(text, 'limits.yaml');

for (const { name, from, to, want } of CHANGES) {
  test(name, () => {
    expect(BEFORE).toContain(from);
    const after = read(BEFORE.replace(from, to));
    const found = limitsDifference(read(BEFORE), after, (rule) => RULES[rule].accept);
    expect(found.map(({ way, words, line }) => ({ way, words, line }))).toEqual(
      want.map(({ way, words, line }) => ({ way, words, line })),
    );
  });
}
