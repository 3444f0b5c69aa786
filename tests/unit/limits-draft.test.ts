import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { openLedger, type LedgerFile } from '../../src/ledger/sqlite.js';
import { trailOf } from '../../src/people/trail.js';
import { textDigest } from '../../src/run/limits-check.js';
import {
  draftEntry,
  draftFile,
  readDraft,
  saveDraft,
  withdrawDraft,
  type SavedDraft,
  type Saving,
} from '../../src/run/limits-draft.js';
import { ledgerFile } from '../../src/run/places.js';
import { temporaryFolder } from '../support/folder.js';

const EFFECTIVE = 'limits: AS-H12\nissue: 10\n';
const NOW = Date.parse('2026-11-28T09:00:00Z');

function saving(root: string, ledger: LedgerFile, minutes = 0): Saving {
  return { root, ledger, by: 'I. Hallbeck', now: NOW + 60_000 * minutes, effective: EFFECTIVE };
}

function saved(text: string, draft = '', effective = textDigest(EFFECTIVE)): SavedDraft {
  const seen = { effective, draft };
  return { file: 'limits/as-h12.yaml', id: 'AS-H12', text, why: 'new trim', seen };
}

function codesOf(act: () => unknown): readonly string[] {
  try {
    act();
    return [];
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return error.problems.map(({ code, what }) => `${code} ${what.split(' changed')[0] ?? ''}`);
  }
}

test('a draft is kept byte by byte, with comments and the order of its keys', () => {
  const root = temporaryFolder();
  const ledger = openLedger(ledgerFile(root));
  const text = '# why\r\nissue: 11   # not yet\r\nlimits: AS-H12\n';
  saveDraft(saving(root, ledger), saved(text));
  expect(readFileSync(draftFile(root, 'limits/as-h12.yaml'), 'utf8')).toBe(text);
  ledger.close();
});

test('the trail tells who saved what in the place of what, and why', () => {
  const root = temporaryFolder();
  const ledger = openLedger(ledgerFile(root));
  saveDraft(saving(root, ledger), saved('first'));
  saveDraft(saving(root, ledger, 1), saved('second', textDigest('first')));
  const [first, second] = trailOf(ledger.entries());
  expect(first).toMatchObject({
    by: 'I. Hallbeck',
    from: '',
    to: textDigest('first'),
    why: 'new trim',
  });
  expect(second).toMatchObject({ from: textDigest('first'), to: textDigest('second') });
  expect(second?.what).toBe('changed limits draft AS-H12');
  expect(draftEntry(ledger.of(''), textDigest('second'))?.at).toBe('2026-11-28T09:01:00.000Z');
  ledger.close();
});

const OVERTAKEN: readonly {
  readonly name: string;
  readonly seen: SavedDraft;
  readonly want: readonly string[];
}[] = [
  {
    name: 'a draft that appeared meanwhile',
    seen: saved('mine'),
    want: ['limits/overtaken The draft of as-h12.yaml'],
  },
  {
    name: 'a draft that changed meanwhile',
    seen: saved('mine', textDigest('older')),
    want: ['limits/overtaken The draft of as-h12.yaml'],
  },
  {
    name: 'limits in force that changed meanwhile',
    seen: saved('mine', textDigest('theirs'), textDigest('issue 9')),
    want: ['limits/overtaken The limits in force, as-h12.yaml,'],
  },
  {
    name: 'both',
    seen: saved('mine', '', textDigest('issue 9')),
    want: [
      'limits/overtaken The limits in force, as-h12.yaml,',
      'limits/overtaken The draft of as-h12.yaml',
    ],
  },
  {
    name: 'a reason that is missing',
    seen: { ...saved('mine', textDigest('theirs')), why: ' ' },
    want: ['usage/argument A draft of limits is saved or withdrawn only with a reason.'],
  },
];

for (const { name, seen, want } of OVERTAKEN) {
  test(`refuses ${name} and leaves the draft and the ledger as they are`, () => {
    const root = temporaryFolder();
    const ledger = openLedger(ledgerFile(root));
    saveDraft(saving(root, ledger), saved('theirs'));
    expect(codesOf(() => saveDraft(saving(root, ledger, 1), seen))).toEqual(want);
    expect(readDraft(root, 'limits/as-h12.yaml')?.text).toBe('theirs');
    expect([...ledger.entries()]).toHaveLength(1);
    ledger.close();
  });
}

const withdrawn = (seen: string, why = 'not needed') => ({
  ...{ file: 'limits/as-h12.yaml', id: 'AS-H12' },
  ...{ why, seen },
});

test('a draft that is withdrawn is gone, and the trail tells whose act it was', () => {
  const root = temporaryFolder();
  const ledger = openLedger(ledgerFile(root));
  saveDraft(saving(root, ledger), saved('first'));
  withdrawDraft(saving(root, ledger, 1), withdrawn(textDigest('first')));
  expect(readDraft(root, 'limits/as-h12.yaml')).toBeUndefined();
  const row = trailOf(ledger.entries()).at(-1);
  expect(row).toMatchObject({ by: 'I. Hallbeck', from: textDigest('first'), to: '' });
  expect(row?.why).toBe('not needed');
  saveDraft(saving(root, ledger, 2), saved('second'));
  expect(readDraft(root, 'limits/as-h12.yaml')?.text).toBe('second');
  ledger.close();
});

for (const [name, seen, why, want] of [
  ['another than was seen', textDigest('older'), 'x', 'limits/overtaken The draft of as-h12.yaml'],
  ['without a reason', textDigest('theirs'), ' ', 'usage/argument A draft of limits is saved or'],
] as const) {
  test(`a draft is not withdrawn: ${name}`, () => {
    const root = temporaryFolder();
    const ledger = openLedger(ledgerFile(root));
    saveDraft(saving(root, ledger), saved('theirs'));
    const [told = ''] = codesOf(() => withdrawDraft(saving(root, ledger), withdrawn(seen, why)));
    expect(told).toContain(want);
    expect(readDraft(root, 'limits/as-h12.yaml')?.text).toBe('theirs');
    expect([...ledger.entries()]).toHaveLength(1);
    ledger.close();
  });
}
