import { expect, test } from 'vitest';
import {
  limitsCompletions,
  type LimitsVocabulary,
} from '../../src/procedure/limits-completions.js';

const word = (text: string): { word: string; meaning: string } => ({ word: text, meaning: '' });

const VOCABULARY: LimitsVocabulary = {
  rows: [
    { ...word('steps-2.rise-time'), units: ['ms', 's'] },
    { ...word('steps-2.overshoot'), units: ['%', '‰'] },
    { ...word('idle.zero-offset'), units: ['mN·m', 'N·m'] },
  ],
  keys: {
    document: ['limits', 'title', 'issue', 'rule', 'rows'].map(word),
    procedure: ['id', 'issue'].map(word),
    limit: ['label', 'from', 'to', 'rule', 'process'].map(word),
    process: ['mean', 'sd'].map(word),
  },
  rules: ['guarded', 'simple'].map(word),
};

const HEAD = 'limits: AS-H12\nissue: 2\nrows:\n';
const RISE = "  steps-2.rise-time: { label: 'rise time', from: 2.30 ms, to: 3.10 ms }\n";

/** The place is where the bar stands. */
const PLACES: readonly {
  readonly name: string;
  readonly text: string;
  readonly want: readonly string[] | undefined;
  readonly typed?: string;
}[] = [
  {
    name: 'keys of the document that are not there yet',
    text: `${HEAD.slice(0, 24)}|`,
    want: ['title', 'rule', 'rows'],
  },
  {
    name: 'a key that is half written',
    text: 'limits: A\nti|',
    want: ['title', 'issue', 'rule', 'rows'],
    typed: 'ti',
  },
  {
    name: 'rules after the key of the document',
    text: 'rule: gu|',
    want: ['guarded', 'simple'],
    typed: 'gu',
  },
  {
    name: 'rows that are not there yet',
    text: `${HEAD}${RISE}  st|`,
    want: ['steps-2.overshoot', 'idle.zero-offset'],
    typed: 'st',
  },
  {
    name: 'keys of a limit that are not there yet',
    text: `${HEAD}  steps-2.overshoot: { label: 'a, b', |`,
    want: ['from', 'to', 'rule', 'process'],
  },
  {
    name: 'keys that stand behind the place count too',
    text: `${HEAD}  steps-2.overshoot: { |, to: 3 % }`,
    want: ['label', 'from', 'rule', 'process'],
  },
  {
    name: 'units of this characteristic after a number',
    text: `${HEAD}${RISE}  steps-2.overshoot: { to: 8 |`,
    want: ['%', '‰'],
  },
  {
    name: 'units of another characteristic',
    text: `${HEAD}  idle.zero-offset: { from: -60 m|`,
    want: ['mN·m', 'N·m'],
    typed: 'm',
  },
  {
    name: 'units of a limit that stands on lines of its own',
    text: `${HEAD}  idle.zero-offset:\n    from: -60 |`,
    want: ['mN·m', 'N·m'],
  },
  {
    name: 'keys on lines of their own',
    text: `${HEAD}  idle.zero-offset:\n    fr|`,
    want: ['label', 'from', 'to', 'rule', 'process'],
    typed: 'fr',
  },
  {
    name: 'keys of the process',
    text: `${HEAD}  idle.zero-offset: { process: { |`,
    want: ['mean', 'sd'],
  },
  {
    name: 'units inside the process',
    text: `${HEAD}  idle.zero-offset: { process: { mean: 3 |`,
    want: ['mN·m', 'N·m'],
  },
  {
    name: 'keys of a limit after its process',
    text: `${HEAD}  idle.zero-offset: { process: { mean: 3 N·m, sd: 1 N·m }, |`,
    want: ['label', 'from', 'to', 'rule'],
  },
  {
    name: 'rules inside a limit',
    text: `${HEAD}  idle.zero-offset: { rule: |`,
    want: ['guarded', 'simple'],
  },
  { name: 'keys of the procedure', text: 'procedure: { id: x, |', want: ['issue'] },
  {
    name: 'nothing before a number is written',
    text: `${HEAD}  idle.zero-offset: { from: |`,
    want: undefined,
  },
  { name: 'nothing in a comment', text: `${HEAD}  # st|`, want: undefined },
  {
    name: 'nothing inside quotes',
    text: `${HEAD}  idle.zero-offset: { label: 'of, |`,
    want: undefined,
  },
  { name: 'no unit for a label', text: `${HEAD}  idle.zero-offset: { label: 3 |`, want: undefined },
];

for (const { name, text, want, typed = '' } of PLACES) {
  test(`offers ${name}`, () => {
    const at = text.indexOf('|');
    const found = limitsCompletions(text.replace('|', ''), at, VOCABULARY);
    expect(found?.options.map((option) => option.word)).toEqual(want);
    if (want !== undefined) expect(found?.from).toBe(at - typed.length);
  });
}
