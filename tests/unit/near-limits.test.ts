import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { near } from '../../src/cli/near.js';
import { readLedger } from '../../src/cli/ledger.js';
import type { Terminal } from '../../src/cli/terminal.js';
import type { Result } from '../../src/decision/decision.js';
import type { NewEntry } from '../../src/ledger/ledger.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { readLimits } from '../../src/procedure/schema.js';
import { nearHistory, nearLimitsBody, nearRowsOf } from '../../src/readiness/near-limits.js';
import { PACKAGE_ROOT } from '../../src/run/documents.js';
import { ledgerFile } from '../../src/run/places.js';
import { temporaryFolder } from '../support/folder.js';
import { history } from '../support/history.js';
import { sampleCertificate } from '../support/sample-certificate.js';

/** Shares used by row, e.g. { 'static.linearity': 0.8 }. */
type Near = Readonly<Record<string, number>>;

const { results } = sampleCertificate('accept').decision;
const [template] = results;

/** Results of which each is near its limit by so much. */
const resultsOf = (near: Near): readonly Result[] =>
  Object.entries(near).map(([row, used]) => {
    const [stage = '', characteristic = ''] = row.split('.');
    const limit = { ...template.limit, stage, characteristic, label: `label of ${row}` };
    return { ...template, limit, nearLimit: { used, above: 0.75 } };
  });

function record(serial: string, near: Near | undefined, body: NewEntry['body'] = {}): NewEntry {
  const told = near === undefined ? {} : nearLimitsBody('H12', resultsOf(near));
  const whole = { verdict: 'ACCEPT', simulated: true, ...told, ...body };
  return { kind: 'record-issued', serial, attempt: 1, by: 'op 17', body: whole };
}

const ENTRIES: readonly NewEntry[] = [
  record('H12-1', undefined), // from before near-limit rows were entered
  record('H12-2', { 'static.linearity': 0.95 }),
  record('H12-3', { 'static.linearity': 0.8, 'ripple.ripple': 0.76 }),
  record('H12-4', {}),
  record('H12-5', { 'static.linearity': 0.99 }, { verdict: 'REJECT' }),
  record('H12-6', { 'static.linearity': 0.99 }, { simulated: false }),
  record('K3-1', { 'static.linearity': 0.99 }, { model: 'K3' }),
  record('H12-4', { 'ripple.ripple': 0.9 }), // the same item again: only its latest counts
];
const newest = history(...ENTRIES).toReversed();

test('rows that are not near are left out of the body, and none at all is said as such', () => {
  expect(results.length).toBeGreaterThan(1);
  expect(nearLimitsBody('H12', results)).toEqual({ model: 'H12', nearLimit: [] });
});

test('counts the latest record of each accepted item of a model', () => {
  expect(nearHistory(newest, { model: 'H12', last: 100, simulated: true })).toEqual({
    items: 3, // without a model in its entry the first is of no model
    untold: 0,
    rows: [
      {
        ...{ stage: 'ripple', characteristic: 'ripple', label: 'label of ripple.ripple' },
        ...{ items: 2, greatest: 0.9, latest: 0.9 },
      },
      {
        ...{ stage: 'static', characteristic: 'linearity', label: 'label of static.linearity' },
        ...{ items: 2, greatest: 0.95, latest: 0.8 },
      },
    ].toSorted((a, b) => b.greatest - a.greatest),
  });
});

const WISHES: readonly (readonly [
  last: number,
  simulated: boolean,
  items: number,
  untold: number,
])[] = [
  [100, true, 5, 1],
  [1, true, 1, 0],
  [4, true, 4, 0],
  [100, false, 1, 0],
];
for (const [last, simulated, items, untold] of WISHES) {
  test(`the last ${last} ${simulated ? 'simulated' : 'product'} items are ${items}`, () => {
    expect(nearHistory(newest, { last, simulated })).toMatchObject({ items, untold });
  });
}

test('reads no further than the last item asked for', () => {
  function* two(): Generator<(typeof newest)[number]> {
    const [first] = newest;
    if (first === undefined) throw new Error('there are entries');
    yield first;
    throw new Error('read too far');
  }
  expect(nearHistory(two(), { last: 1, simulated: true }).items).toBe(1);
});

test('what is not whole in a body is left out, and never breaks the count', () => {
  const rows = [1, null, 'x', { stage: 'a' }, { stage: 'a', characteristic: 'b', used: 'c' }];
  const [entry] = history(record('H12-1', undefined, { nearLimit: rows }));
  expect(entry && nearRowsOf(entry)).toEqual([]);
  const [other] = history({ ...record('H12-1', {}), kind: 'note' });
  expect(other && nearRowsOf(other)).toBeUndefined();
});

/** A terminal that keeps what is printed. */
function kept(): { readonly to: Terminal; readonly text: () => string } {
  const lines: string[] = [];
  const to: Terminal = {
    out: (text) => void lines.push(text),
    err: (text) => void lines.push(text),
    width: 140,
    isInteractive: false,
    ask: () => Promise.reject(new Error('nobody is here')),
  };
  return { to, text: () => lines.join('\n') };
}

function folderWith(entries: readonly NewEntry[]): string {
  const data = temporaryFolder();
  const ledger = openLedger(ledgerFile(data));
  for (const entry of entries) ledger.append(entry, Date.parse('2026-11-25T14:00:00Z'));
  ledger.close();
  return data;
}

test('ledger near prints both kinds of records apart, with icon and word', () => {
  const data = folderWith(ENTRIES);
  const { to, text } = kept();
  expect(near({ last: '100', data }, to)).toBe(0);
  expect(text()).toMatch(/^Last accepted items: 1\.$/mu);
  expect(text()).toMatch(
    /^Last accepted items in simulated records: 5, of which 1 entered before near limits were told\.$/mu,
  );
  expect(text()).toMatch(/^△ near limit +items +share +greatest use +latest use$/mu);
  expect(text()).toMatch(/^label of static\.linearity +3 +75 % +99 % +99 %$/mu);
});

test('ledger near as JSON holds the same', () => {
  const { to, text } = kept();
  near({ last: '4', model: 'H12', data: folderWith(ENTRIES), json: true }, to);
  expect(JSON.parse(text())).toMatchObject({
    ...{ last: 4, model: 'H12', product: { items: 1 }, simulated: { items: 3, untold: 0 } },
  });
});

test('an empty ledger says so', () => {
  const { to, text } = kept();
  near({ last: '100', model: 'H12', data: folderWith([]) }, to);
  expect(text()).toBe('No accepted item of model H12 is entered yet.');
});

for (const last of ['0', '-1', '1.5', 'all', '']) {
  test(`--last "${last}" is refused`, () => {
    const { to } = kept();
    expect(() => near({ last, data: 'nowhere' }, to)).toThrow(/whole number of items/u);
  });
}

test('ledger show tells near-limit rows in words above the body', () => {
  const { to, text } = kept();
  readLedger('show', 'H12-3', { data: folderWith(ENTRIES) }, to);
  expect(text()).toMatch(/△ near limit: label of static\.linearity, 80 % of the tolerance used/u);
  expect(text()).toContain('"used": 0.76');
});

const LIMITS = 'limits/as-h12.yaml';
const shipped = readFileSync(join(PACKAGE_ROOT, LIMITS), 'utf8');
const withLines = (file: string, row: string): string =>
  shipped
    .replace(/^rule: guarded$/mu, `rule: guarded${file}`)
    .replace('label: preload, from', `label: preload${row}, from`);

test('a share to warn above stands once for the file, and a row may have its own', () => {
  const rows = (text: string): unknown =>
    readLimits(text, LIMITS)
      .rows.slice(0, 2)
      .map(({ warnAbove }) => warnAbove);
  expect(rows(shipped)).toEqual([undefined, undefined]);
  expect(rows(withLines('\nwarn-above: 80 %', ''))).toEqual([0.8, 0.8]);
  expect(rows(withLines('\nwarn-above: 80 %', ', warn-above: 60 %'))).toEqual([0.8, 0.6]);
  expect(rows(withLines('', ', warn-above: 100 %'))).toEqual([undefined, 1]);
});

const WRONG: readonly (readonly [share: string, code: Problem['code']])[] = [
  ['0.75', 'procedure/bare-number'],
  ['0 %', 'document/value'],
  ['101 %', 'document/value'],
  ['75 mN·m', 'procedure/unit-mismatch'],
];
for (const [share, code] of WRONG) {
  for (const [where, text] of [
    ['the file', withLines(`\nwarn-above: ${share}`, '')],
    ['a row', withLines('', `, warn-above: ${share}`)],
  ] as const) {
    test(`warn-above: ${share} of ${where} is refused as ${code}`, () => {
      const refused = (): unknown => {
        try {
          return readLimits(text, LIMITS);
        } catch (error) {
          if (error instanceof StallmarkError) return error.problems.map((p) => p.code);
          throw error;
        }
      };
      expect(refused()).toEqual([code]);
    });
  }
}
