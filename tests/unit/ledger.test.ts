import { join } from 'node:path';
import Database from 'better-sqlite3';
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { auditLedger, type FindingName } from '../../src/ledger/audit.js';
import { freeSpace } from '../../src/ledger/disk.js';
import { chained, type Entry, type Ledger, type NewEntry } from '../../src/ledger/ledger.js';
import { beginAttempt, nextNumber, readNumber } from '../../src/ledger/numbering.js';
import { ledgerOn } from '../../src/ledger/sqlite.js';
import { abortAttempt, attemptFolder, folderName, serialOf } from '../../src/ledger/store.js';
import { temporaryFolder } from '../support/folder.js';

const NOW = Date.parse('2026-11-25T14:05:18.250Z');

const memory = (): Ledger => ledgerOn(new Database(':memory:'), ':memory:');

function chain(...entries: readonly (NewEntry & { readonly now?: number })[]): readonly Entry[] {
  const made: Entry[] = [];
  for (const { now = NOW, ...entry } of entries) made.push(chained(entry, made.at(-1), now));
  return made;
}

function begun(serial: string, attempt: number, certificate: string): NewEntry {
  return { kind: 'attempt-begun', serial, attempt, by: 'op-17', body: { certificate } };
}

function ended(
  kind: 'record-issued' | 'attempt-aborted',
  serial: string,
  attempt: number,
  certificate: string,
): NewEntry {
  return { kind, serial, attempt, by: 'seal', body: { certificate } };
}

const note: NewEntry = { kind: 'note', serial: '', attempt: 0, by: 'qe-3', body: { note: 'x' } };

const whole = [
  begun('A', 1, 'TW1-2026-000001'),
  ended('attempt-aborted', 'A', 1, 'TW1-2026-000001'),
  begun('A', 2, 'TW1-2026-000002'),
  ended('record-issued', 'A', 2, 'TW1-2026-000002'),
  begun('B', 1, 'SIM-TW1-2026-000001'),
  ended('record-issued', 'B', 1, 'SIM-TW1-2026-000001'),
  begun('A', 3, 'TW1-2027-000001'),
  ended('record-issued', 'A', 3, 'TW1-2027-000001'),
  note,
];

function findingsOf(entries: readonly Entry[]): readonly (readonly [FindingName, number])[] {
  return auditLedger(entries).findings.map((f) => [f.name, f.entry] as const);
}

test('a whole ledger audits clean and tells its length and last digest', () => {
  const entries = chain(...whole);
  expect(auditLedger(entries)).toEqual({
    entries: 9,
    last: entries.at(-1)?.digest,
    findings: [],
  });
  expect(auditLedger([])).toEqual({ entries: 0, last: '0'.repeat(64), findings: [] });
});

/** Entries with one of them exchanged, without mending anything else. */
function exchanged(index: number, change: Partial<Entry>): readonly Entry[] {
  return chain(...whole).map((entry, i) => (i === index ? { ...entry, ...change } : entry));
}

/** The same with the digest of the exchanged entry computed anew, as a forger would. */
function forged(index: number, change: Partial<Entry>): readonly Entry[] {
  return chain(...whole).map((entry, i, all) =>
    i === index
      ? chained({ ...entry, ...change }, all[i - 1], Date.parse(change.at ?? entry.at))
      : entry,
  );
}

const damage: readonly (readonly [
  string,
  readonly Entry[],
  readonly (readonly [FindingName, number])[],
])[] = [
  [
    'an edited body',
    exchanged(3, { body: { certificate: 'TW1-2026-000002', x: 1 } }),
    [['digest', 4]],
  ],
  ['an edited person', exchanged(3, { by: 'someone' }), [['digest', 4]]],
  [
    'an edited instant',
    exchanged(3, { at: '2026-11-25T14:05:18.251Z' }),
    [
      ['digest', 4],
      ['clock', 5],
    ],
  ],
  [
    'an edited body with a new digest',
    forged(3, { body: { certificate: 'TW1-2026-000002', x: 1 } }),
    [['chain', 5]],
  ],
  [
    'a removed entry',
    chain(...whole).filter((_, i) => i !== 8 - 1),
    [
      ['gap', 9],
      ['interrupted', 7],
    ],
  ],
  [
    'three removed entries',
    chain(...whole).filter((_, i) => i < 4 || i > 6),
    [
      ['gap', 8],
      ['unbegun', 8],
    ],
  ],
  [
    'a removed first entry',
    chain(...whole).slice(1),
    [
      ['gap', 2],
      ['unbegun', 2],
      ['number-gap', 3],
    ],
  ],
  [
    'two entries in exchanged places',
    [1, 2].map((i) => chain(note, note)[2 - i]).filter((e) => e !== undefined),
    [
      ['gap', 2],
      ['gap', 1],
    ],
  ],
  ['an earlier instant', chain(note, { ...note, now: NOW - 1 }), [['clock', 2]]],
  [
    'an attempt without an end',
    chain(begun('A', 1, 'TW1-2026-000001'), note),
    [['interrupted', 1]],
  ],
  [
    'a record without a beginning',
    chain(ended('record-issued', 'A', 1, 'TW1-2026-000001')),
    [['unbegun', 1]],
  ],
  [
    'a second end',
    chain(...whole.slice(0, 2), ended('record-issued', 'A', 1, 'TW1-2026-000001')),
    [['ended-twice', 3]],
  ],
  [
    'a record under another number',
    chain(begun('A', 1, 'TW1-2026-000001'), ended('record-issued', 'A', 1, 'TW1-2026-000002')),
    [['number-differs', 2]],
  ],
  [
    'a skipped number',
    chain(
      ...whole.slice(0, 2),
      begun('B', 1, 'TW1-2026-000003'),
      ended('record-issued', 'B', 1, 'TW1-2026-000003'),
    ),
    [['number-gap', 3]],
  ],
  [
    'a number given twice',
    chain(
      ...whole.slice(0, 2),
      begun('B', 1, 'TW1-2026-000001'),
      ended('record-issued', 'B', 1, 'TW1-2026-000001'),
    ),
    [['number-twice', 3]],
  ],
];

for (const [name, entries, want] of damage) {
  test(`${name}: ${want.map(([n, e]) => `${n} at ${e}`).join(', ')}`, () => {
    expect(findingsOf(entries)).toEqual(want);
  });
}

test('each kind of damage has a sentence of its own', () => {
  const sentences = damage.flatMap(([, entries]) => auditLedger(entries).findings);
  const starts = new Map(sentences.map(({ name, what }) => [name, what.replace(/[\d"]+/gu, '')]));
  expect(new Set(starts.values()).size).toBe(starts.size);
  for (const { what } of sentences) expect(what).toMatch(/^[A-Z].*\.$/u);
});

test('a cut end shows only against what a certificate remembers', () => {
  const entries = chain(...whole);
  const anchor = { entry: 7, digest: entries[6]?.digest ?? '', from: 'TW1-2027-000001' };
  expect(auditLedger(entries, [anchor]).findings).toEqual([]);
  const cut = entries.slice(0, 6);
  expect(auditLedger(cut).findings).toEqual([]);
  expect(auditLedger(cut, [anchor]).findings).toEqual([
    {
      name: 'cut-off',
      entry: 7,
      what: 'Certificate TW1-2027-000001 remembers entry 7, but the ledger ends at entry 6: its end was cut off or an old copy was restored.',
    },
  ]);
});

test('a ledger written anew is whole in itself and shows only against a certificate', () => {
  const entries = chain(...whole);
  const anchor = { entry: 7, digest: entries[6]?.digest ?? '', from: 'TW1-2027-000001' };
  const anew = chain({ ...begun('A', 1, 'TW1-2026-000001'), by: 'op-18' }, ...whole.slice(1));
  expect(auditLedger(anew).findings).toEqual([]);
  expect(auditLedger(anew, [anchor]).findings.map((f) => [f.name, f.entry])).toEqual([
    ['rewritten', 7],
  ]);
});

const numbers: readonly (readonly [unknown, ReturnType<typeof readNumber>])[] = [
  ['TW1-2026-000123', { prefix: 'TW1', year: 2026, count: 123 }],
  ['SIM-TW1-2026-000123', { prefix: 'SIM-TW1', year: 2026, count: 123 }],
  ['TW1-2026-1000000', { prefix: 'TW1', year: 2026, count: 1_000_000 }],
  ['TW1-2026-00012', undefined],
  ['TW1-26-000123', undefined],
  ['-2026-000123', undefined],
  ['tw1-2026-000123', undefined],
  ['TW1-2026-000123 ', undefined],
  [123, undefined],
  [undefined, undefined],
];

for (const [written, want] of numbers) {
  test(`certificate number ${JSON.stringify(written)} reads as ${JSON.stringify(want)}`, () => {
    expect(readNumber(written)).toEqual(want);
  });
}

function attempt(
  serial: string,
  number: number,
  prefix: string,
): Parameters<typeof beginAttempt>[1] {
  return { serial, attempt: number, by: 'op-17', prefix, body: { model: 'H12' } };
}

test('numbers go on per prefix and year, and an aborted attempt keeps its own', () => {
  const root = temporaryFolder();
  const ledger = memory();
  const first = beginAttempt(ledger, attempt('A', 1, 'TW1'), NOW);
  expect(first.body).toEqual({ model: 'H12', certificate: 'TW1-2026-000001' });
  abortAttempt(root, ledger, { begun: first, by: 'op-17', reason: 'guard open', body: {} }, NOW);
  const nextYear = Date.parse('2027-01-01T00:00:00.000Z');
  const given = [
    beginAttempt(ledger, attempt('A', 2, 'TW1'), NOW),
    beginAttempt(ledger, attempt('B', 1, 'SIM-TW1'), NOW),
    beginAttempt(ledger, attempt('B', 2, 'TW1'), nextYear - 1),
    beginAttempt(ledger, attempt('B', 3, 'TW1'), nextYear),
  ].map((entry) => entry.body['certificate']);
  expect(given).toEqual([
    'TW1-2026-000002',
    'SIM-TW1-2026-000001',
    'TW1-2026-000003',
    'TW1-2027-000001',
  ]);
  expect(nextNumber(ledger, 'TW1', 2026)).toBe('TW1-2026-000004');
  expect(() => nextNumber(ledger, 'tw 1', 2026)).toThrow('cannot begin a certificate number');
});

test('an attempt is begun once, and none is left out', () => {
  const ledger = memory();
  beginAttempt(ledger, attempt('A', 1, 'TW1'), NOW);
  for (const number of [1, 3, 0]) {
    expect(() => beginAttempt(ledger, attempt('A', number, 'TW1'), NOW)).toThrow('serial/attempts');
  }
  expect(ledger.last()?.number).toBe(1);
});

const names: readonly (readonly [serial: string, folder: string])[] = [
  ['H12-26-04711', 'H12-26-04711'],
  ['A/B', 'A%2FB'],
  ['..', '%2E%2E'],
  ['.', '%2E'],
  ['../../ETC', '%2E%2E%2F%2E%2E%2FETC'],
  ['%2F', '%252F'],
  ['A B', 'A%20B'],
  [' A', '%20A'],
  ['=1+1', '%3D1%2B1'],
  ['Größe', 'G%72%C3%B6%C3%9F%65'],
  ['😀', '%F0%9F%98%80'],
  ['h12', '%6812'],
  ['CON', '%43ON'],
  ['NUL', '%4EUL'],
  ['COM1', '%43OM1'],
  ['LPT9', '%4CPT9'],
  ['COM10', 'COM10'],
  ['CON.TXT', 'CON%2ETXT'],
  ['A.', 'A%2E'],
  ['A\0B', 'A%00B'],
  ['A\nB', 'A%0AB'],
  ['.attempt-01', '%2E%61%74%74%65%6D%70%74-01'],
];

for (const [serial, folder] of names) {
  test(`serial ${JSON.stringify(serial)} lies in folder ${folder} and is read back`, () => {
    expect(folderName(serial)).toBe(folder);
    expect(serialOf(folder)).toBe(serial);
  });
}

for (const folder of ['CON', 'a', '%2f', '%41', '%', '%F0', '', '..', 'A B', '%C3%28']) {
  test(`folder ${JSON.stringify(folder)} is named after no serial`, () => {
    expect(serialOf(folder)).toBeUndefined();
  });
}

for (const serial of ['', 'A'.repeat(201), '😀'.repeat(17), '\ud800']) {
  test(`serial ${JSON.stringify(serial).slice(0, 12)}… cannot name a folder`, () => {
    expect(() => folderName(serial)).toThrow(StallmarkError);
  });
}

test('different serials never share a folder, also where capitals do not count', () => {
  const text = fc.string({ unit: 'grapheme', minLength: 1, maxLength: 10 });
  fc.assert(
    fc.property(text, text, (a, b) => {
      if (a === b) return;
      expect(folderName(a).toLowerCase()).not.toBe(folderName(b).toLowerCase());
      expect(serialOf(folderName(a))).toBe(a);
    }),
    {
      seed: 8,
      numRuns: 2000,
      examples: [
        ['abc', 'ABC'],
        ['é', 'e\u0301'],
        ['%41', 'A'],
      ],
    },
  );
});

test('an attempt lies under the year it was begun in, whatever its serial', () => {
  const [entry] = chain(begun('../A', 7, 'TW1-2026-000001'));
  if (entry === undefined) throw new Error('one entry was chained');
  expect(attemptFolder('/data', entry)).toEqual({
    temporary: '/data/2026/%2E%2E%2FA/.attempt-07',
    final: '/data/2026/%2E%2E%2FA/07',
    relative: '2026/%2E%2E%2FA/07',
  });
});

test('free space is that of the disk of a folder; a folder that is not there has none', () => {
  const folder = temporaryFolder();
  expect(freeSpace(folder)).toBeGreaterThan(0);
  expect(() => freeSpace(join(folder, 'none'))).toThrow('storage/unwritable');
});
