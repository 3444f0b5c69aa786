import { appendFileSync, cpSync, mkdirSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { setImmediate as turn } from 'node:timers/promises';
import { beforeAll, beforeEach, expect, test } from 'vitest';
import { auditFile, auditSlowly } from '../../src/ledger/audit.js';
import { beginAttempt } from '../../src/ledger/numbering.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { attemptReading, findReading } from '../../src/serve/auditor-find.js';
import { folderReading } from '../../src/serve/auditor-folder.js';
import { trailReading } from '../../src/serve/auditor-trail.js';
import type { AttemptView, FolderState, Searching } from '../../src/serve/auditor-views.js';
import type { Given, Reading } from '../../src/serve/reading.js';
import type { Site } from '../../src/serve/site.js';
import { temporaryFolder } from '../support/folder.js';
import { copyOf, madeKeys } from '../support/keys.js';
import { sampleCertificate } from '../support/record.js';
import {
  digestsOf,
  filesOf,
  sealed,
  sharedSeal,
  writeFiles,
  type RecordFiles,
} from '../support/sealed-record.js';

const BY = 'O. Operator';
const FOLDER = '2026/H12-26-04711/01';
let keys: string;
let files: RecordFiles;
let site: Site;
const serial = 'H12-26-04711';
const { started, issued } = sampleCertificate();

/** One folder of records: an accepted item, and one whose attempt was broken off. */
beforeAll(async () => {
  keys = await madeKeys();
}, 60_000);

beforeEach(async () => {
  const root = join(temporaryFolder(), 'records');
  mkdirSync(root);
  site = { root, keys: copyOf(keys, temporaryFolder()), pace: 'fast' };
  const ledger = openLedger(join(root, 'ledger.db'));
  const begun = beginAttempt(
    ledger,
    { serial, attempt: 1, by: BY, prefix: 'TW1', body: {} },
    started,
  );
  const anchor = { entry: begun.number, digest: begun.digest };
  const certificate = sampleCertificate({ number: 'TW1-2026-000001', anchor });
  files = filesOf(await sealed(certificate, await sharedSeal('bench')));
  writeFiles(join(root, FOLDER), files);
  const told = { certificate: 'TW1-2026-000001', revision: 0, verdict: 'ACCEPT', simulated: false };
  const body = { ...told, outcome: 'conforming', folder: FOLDER, files: digestsOf(files) };
  ledger.append({ kind: 'record-issued', serial, attempt: 1, by: BY, body }, issued + 1000);
  const other = { serial: 'H12-26-04712', attempt: 1, by: BY };
  beginAttempt(ledger, { ...other, prefix: 'TW1', body: {} }, issued + 2000);
  const aborted = {
    certificate: 'TW1-2026-000002',
    reason: 'stopped',
    kept: ['unissued/TW1-2026-000002'],
  };
  ledger.append({ kind: 'attempt-aborted', ...other, body: aborted }, issued + 3000);
  const refused = { what: 'log-in', why: 'wrong secret' };
  ledger.append(
    { kind: 'refused', serial: '', attempt: 0, by: 'OP-9', body: refused },
    issued + 4000,
  );
  ledger.close();
});

async function ask<Args, T>(reading: Reading<Args, Searching<T>>, given: Given = {}): Promise<T> {
  const found = await reading.read(reading.args(given), site);
  if (found.kind === 'making') throw new Error('a short ledger is read at once');
  return found.answer;
}

const opened = (entry: number): Promise<AttemptView> =>
  ask(attemptReading, { entry: String(entry) });

const findings = ({ record }: AttemptView): readonly string[] =>
  (record?.checks ?? []).filter((c) => c.outcome === 'broken').map((c) => c.finding);

test('attempts are found, and a wish that is no day is refused', async () => {
  const { lines, total, choices } = await ask(findReading, { text: '04711', from: '2026-01-01' });
  expect([lines.map(({ entry }) => entry), total]).toEqual([[1], 1]);
  expect(choices).toEqual({ models: ['H12'], operators: [BY] });
  expect(() => findReading.args({ from: 'yesterday' })).toThrow('is no day');
});

test('a whole record is confirmed, with the links of its entry and its anchor', async () => {
  const view = await opened(1);
  expect(findings(view)).toEqual([]);
  expect(view.record?.intact).toBe(true);
  const names = view.record?.checks.map(({ name }) => name) ?? [];
  expect(names).toEqual(expect.arrayContaining(['decisions', 'ledger: entry', 'ledger: anchor']));
  expect(view.record?.conclusion).toContain('The record is whole.');
  expect(view.item.state).toBe('accepted');
});

test('its table is told as printed, each value with its strip', async () => {
  const table = (await opened(1)).record?.table;
  expect(table).toMatchObject({ verdict: 'ACCEPT', serial, number: 'TW1-2026-000001' });
  const rows = table?.stages.flatMap((stage) => stage.rows) ?? [];
  expect(rows.length).toBe(sampleCertificate().decision.results.length);
  const measured = rows.filter(({ value }) => value !== '–');
  expect(measured.every(({ strip }) => strip?.marker !== undefined)).toBe(true);
  expect(table?.acknowledgements).toHaveLength(2);
  expect(table?.gates.map(({ holds }) => holds)).toEqual([true, true]);
});

test('a page with something added is not confirmed', async () => {
  appendFileSync(join(site.root, FOLDER, 'certificate.pdf'), '\n');
  const view = await opened(1);
  expect(view.record?.intact).toBe(false);
  expect(findings(view)).toEqual(
    expect.arrayContaining(['page/bytes-appended', 'ledger/file-differs']),
  );
  expect(view.record?.conclusion).toContain('Do not rely on this record');
  expect(view.record?.table?.verdict).toBe('ACCEPT');
});

test('a table that cannot be read is told, and the ledger still says what the verdict was', async () => {
  writeFileSync(join(site.root, FOLDER, 'certificate.csv'), 'nothing');
  const view = await opened(1);
  expect(view.record?.table).toBeUndefined();
  expect(view.record?.intact).toBe(false);
  expect(view.line.word).toBe('ACCEPT');
});

test('a record that is gone is said to be lost', async () => {
  rmSync(join(site.root, FOLDER), { recursive: true });
  const view = await opened(1);
  expect(view.record).toBeUndefined();
  expect(view.lost).toContain('entry 2 issued a record');
});

test('an attempt that was broken off has no record, and says what it left', async () => {
  const view = await opened(3);
  expect(view.record).toBeUndefined();
  expect(view.line).toMatchObject({ word: 'broken off', reason: 'stopped' });
  expect(view.kept).toEqual(['unissued/TW1-2026-000002']);
});

test('an entry that is of no attempt cannot be opened', async () => {
  await expect(opened(5)).rejects.toThrow('neither begins nor refuses');
  await expect(opened(99)).rejects.toThrow('neither begins nor refuses');
});

test('the ledger written anew is found by what the record remembers', async () => {
  const file = join(site.root, 'ledger.db');
  const old = openLedger(file, { readOnly: true });
  const entries = [...old.entries()];
  old.close();
  for (const end of ['', '-wal', '-shm']) rmSync(file + end, { force: true });
  const anew = openLedger(file);
  for (const { kind, attempt, by, body, at, ...one } of entries) {
    anew.append({ kind, attempt, by, body, serial: one.serial }, Date.parse(at) + 1);
  }
  anew.close();
  expect(findings(await opened(1))).toContain('ledger/rewritten');
});

test('the trail is filtered by person, serial and kind', async () => {
  const rows = async (given: Given): Promise<readonly number[]> =>
    (await ask(trailReading, given)).rows.map(({ entry }) => entry);
  expect(await rows({})).toEqual([5]);
  expect(await rows({ person: 'OP-9' })).toEqual([5]);
  expect(await rows({ person: 'OP-8' })).toEqual([]);
  expect(await rows({ kind: 'changed' })).toEqual([]);
  expect(await rows({ serial: '04711' })).toEqual([]);
  expect(await rows({ before: '5' })).toEqual([]);
});

async function checkedFolder(): Promise<Extract<FolderState, { kind: 'done' }>> {
  await folderReading.read({ begin: true }, site);
  for (;;) {
    const state = await folderReading.read({ begin: false }, site);
    if (state.kind === 'done') return state;
    if (state.kind !== 'going') throw new Error(`the check is ${state.kind}`);
    await turn();
  }
}

test('a whole folder: intact records, and a gap that the ledger explains', async () => {
  const { found } = await checkedFolder();
  expect(found).toMatchObject({ intact: true, ledgerFindings: [], duplicates: [] });
  expect(found.records.map(({ state }) => state)).toEqual(['intact']);
  expect(found.missing).toMatchObject([{ number: 'TW1-2026-000002', explained: true }]);
  expect(found.recordsSentence).toBe(
    '1 record: 1 is intact, 1 number has no record, which the ledger explains. Nothing is damaged or unexplained.',
  );
});

test('a whole folder: damage, a missing record and a copy are named', async () => {
  appendFileSync(join(site.root, FOLDER, 'certificate.pdf'), '\n');
  cpSync(join(site.root, FOLDER), join(site.root, '2026', 'copy', '01'), { recursive: true });
  const twice = (await checkedFolder()).found;
  expect(twice.intact).toBe(false);
  expect(twice.duplicates).toHaveLength(1);
  expect(twice.records[0]?.broken.join(' ')).toContain('appended after sealing');
  rmSync(join(site.root, '2026'), { recursive: true });
  const { found } = await checkedFolder();
  expect(found.missing).toMatchObject([
    { number: 'TW1-2026-000001', explained: false },
    { number: 'TW1-2026-000002', explained: true },
  ]);
  expect(found.recordsSentence).toContain('1 number is missing without explanation');
});

test('an audit that lets others have their turn finds what the other finds', async () => {
  const file = join(site.root, 'ledger.db');
  const ledger = openLedger(file);
  const note = { kind: 'note', serial: '', attempt: 0, by: BY, body: { note: 'x' } } as const;
  for (let i = 0; i < 600; i += 1) ledger.append(note, issued + 5000 + i);
  ledger.close();
  const anchors = [{ entry: 999, digest: 'f'.repeat(64), from: 'TW1-2026-000009' }];
  let turns = 0;
  const slow = await auditSlowly(file, anchors, () => {
    turns += 1;
    return Promise.resolve();
  });
  expect(slow).toEqual(auditFile(file, anchors));
  expect(slow.findings.map(({ name }) => name)).toEqual(['cut-off']);
  expect(turns).toBe(2); // 605 entries, 250 at a time
});
