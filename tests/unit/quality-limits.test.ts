import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { isNote } from '../../src/base/report.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import type { Session } from '../../src/people/people.js';
import { ledgerFile } from '../../src/run/places.js';
import {
  checkLimitsReading,
  limitsReading,
  saveLimitsDraft,
} from '../../src/serve/quality-limits.js';
import type { Site } from '../../src/serve/site.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';

const FILE = 'limits/as-h12.yaml';
const TEXT = readFileSync(FILE, 'utf8');

const siteAt = (root: string): Site => ({ root, keys: root, pace: 'fast', limits: FILE });

const SESSION: Session = {
  ...{
    id: 'QE-1',
    name: 'I. Hallbeck',
    roles: ['quality engineer'],
    at: 0,
    means: 'authenticated',
  },
  ...{ training: [], zone: 'UTC' },
};

test('a page that saves a draft finds it again with who saved it and why', async () => {
  const root = temporaryFolder();
  const site = siteAt(root);
  const clock = handClock();
  const ledger = openLedger(ledgerFile(root));
  const before = await limitsReading.read({ file: '' }, site);
  const given = {
    ...{ file: FILE, text: `${before.text}# a thought\n`, why: 'trim' },
    seen: { effective: before.digest, draft: '' },
  };
  const saving = { site, session: SESSION, ledger, clock };
  await saveLimitsDraft.make(saveLimitsDraft.args(given), saving);
  const after = await limitsReading.read({ file: FILE }, site);
  expect(after.text).toBe(TEXT);
  expect(after.draft?.text).toBe(given.text);
  expect(after.draft?.saved).toMatchObject({ by: 'I. Hallbeck (QE-1)', why: 'trim' });
  // The same page once more: it has not seen the draft.
  const again = async (): Promise<unknown> =>
    saveLimitsDraft.make(saveLimitsDraft.args(given), saving);
  await expect(again()).rejects.toThrow('limits/overtaken');
  ledger.close();
});

test('a text that is typed is compared row by row; a wrong row is told as unread', async () => {
  const site = siteAt(temporaryFolder());
  const text = TEXT.replace('to: 80 mN·m', 'to: 90 mN·m').replace('to: 8.0 ms', 'to: 8.0');
  const args = checkLimitsReading.args({ file: FILE, text });
  const found = await checkLimitsReading.read(args, site);
  expect(found.problems.map(({ code }) => code)).toEqual(['procedure/bare-number']);
  expect(found.unread?.map(({ row }) => row)).toEqual(['steps-2.settling-time']);
  expect(found.changes?.map(({ way, words }) => `${way}: ${words}`)).toEqual([
    'wider: Upper limit of cogging.cogging widened 80 mN·m → 90 mN·m.',
  ]);
  expect(found.preview).toMatchObject({ items: 0, changed: [] });
});

test('the text as it is has nothing to correct and changes nothing', async () => {
  const args = checkLimitsReading.args({ file: FILE, text: TEXT });
  const found = await checkLimitsReading.read(args, siteAt(temporaryFolder()));
  expect(found.problems.filter((problem) => !isNote(problem))).toEqual([]);
  expect(found.changes).toEqual([]);
  expect(found.preview?.rows).toHaveLength(found.unchanged ?? -1);
});

for (const given of [null, {}, { file: FILE }, { file: FILE, text: 'x', why: 'y' }]) {
  test(`a draft without all it needs is refused: ${JSON.stringify(given)}`, () => {
    expect(() => saveLimitsDraft.args(given)).toThrow(StallmarkError);
  });
}
