import {
  chmodSync,
  copyFileSync,
  existsSync,
  mkdirSync,
  readFileSync,
  readdirSync,
  statSync,
  truncateSync,
  writeFileSync,
} from 'node:fs';
import { once } from 'node:events';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { expect, test } from 'vitest';
import { canonicalJson, digestOf } from '../../src/base/canonical.js';
import { StallmarkError } from '../../src/base/error.js';
import { auditFile, type FindingName } from '../../src/ledger/audit.js';
import { entryDigest, type Ledger, type NewEntry } from '../../src/ledger/ledger.js';
import { ledgerOn, openLedger } from '../../src/ledger/sqlite.js';
import { endOf, startChild } from '../support/child.js';
import { temporaryFolder } from '../support/folder.js';

const NOW = Date.parse('2026-11-25T14:05:18.250Z');

function note(text: string): NewEntry {
  return { kind: 'note', serial: 'H12-26-04711', attempt: 1, by: 'op-17', body: { text } };
}

/** A ledger file with five entries, closed. */
function filled(): string {
  const file = join(temporaryFolder(), 'ledger.db');
  const ledger = openLedger(file);
  for (const text of ['a', 'b', 'c', 'd', 'e']) ledger.append(note(text), NOW);
  ledger.close();
  return file;
}

function problemOf(action: () => unknown): string {
  try {
    action();
  } catch (error) {
    if (error instanceof StallmarkError) return error.message;
    throw error;
  }
  return 'nothing was refused';
}

const refusedByTable: readonly (readonly [string, string, string])[] = [
  ['a change', "UPDATE entry SET by = 'x' WHERE number = 2", 'no entry changes'],
  ['a removal', 'DELETE FROM entry WHERE number = 5', 'no entry is removed'],
  ['removal of all', 'DELETE FROM entry', 'no entry is removed'],
  [
    'a replacement',
    'INSERT OR REPLACE INTO entry SELECT 5, at, kind, serial, attempt, by, body, previous, digest FROM entry WHERE number = 4',
    'must follow',
  ],
  [
    'a gap',
    'INSERT INTO entry SELECT 7, at, kind, serial, attempt, by, body, digest, digest FROM entry WHERE number = 5',
    'must follow',
  ],
  [
    'a number chosen by the database',
    'INSERT INTO entry SELECT NULL, at, kind, serial, attempt, by, body, digest, digest FROM entry WHERE number = 5',
    'must follow',
  ],
  [
    'another digest before it',
    'INSERT INTO entry SELECT 6, at, kind, serial, attempt, by, body, previous, digest FROM entry WHERE number = 5',
    'must follow',
  ],
  [
    'a row moved onto another',
    'UPDATE OR REPLACE entry SET number = 4 WHERE number = 5',
    'no entry changes',
  ],
  [
    'a value of another type',
    "INSERT INTO entry SELECT 6, at, kind, serial, 'x', by, body, digest, digest FROM entry WHERE number = 5",
    'cannot store TEXT value in INTEGER',
  ],
];

for (const [name, sql, message] of refusedByTable) {
  test(`the table itself refuses ${name}, also from another program`, () => {
    const file = filled();
    const before = auditFile(file);
    const stranger = new Database(file);
    expect(() => stranger.exec(sql)).toThrow(message);
    stranger.close();
    expect(auditFile(file)).toEqual(before);
    expect(before.findings).toEqual([]);
  });
}

/** Changes a ledger file as somebody would who can write it and has taken its rules away. */
function tamper(file: string, sql: string, ...values: readonly unknown[]): void {
  const database = new Database(file);
  const rules = database
    .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
    .all() as { readonly name: string; readonly sql: string }[];
  for (const { name } of rules) database.exec(`DROP TRIGGER ${name}`);
  database.prepare(sql).run(...values);
  for (const rule of rules) database.exec(rule.sql);
  database.close();
}

function findings(file: string): readonly (readonly [FindingName, number])[] {
  return auditFile(file).findings.map((f) => [f.name, f.entry] as const);
}

const edited = canonicalJson({ text: 'edited' });
const tampered: readonly (readonly [
  string,
  readonly [string, ...unknown[]],
  readonly (readonly [FindingName, number])[],
])[] = [
  ['a row deleted in the middle', ['DELETE FROM entry WHERE number = 3'], [['gap', 4]]],
  ['two rows deleted', ['DELETE FROM entry WHERE number IN (2, 3)'], [['gap', 4]]],
  ['the first row deleted', ['DELETE FROM entry WHERE number = 1'], [['gap', 2]]],
  ['a body edited', ['UPDATE entry SET body = ? WHERE number = 3', edited], [['digest', 3]]],
  [
    'a body edited that means the same',
    ['UPDATE entry SET body = ? WHERE number = 3', '{"text": "c"}'],
    [['unreadable', 3]],
  ],
  [
    'a body that is not JSON',
    ['UPDATE entry SET body = ? WHERE number = 3', '{"text"'],
    [['unreadable', 3]],
  ],
  [
    'a body that is a list',
    ['UPDATE entry SET body = ? WHERE number = 3', '[]'],
    [['unreadable', 3]],
  ],
  ['a kind unknown', ["UPDATE entry SET kind = 'x' WHERE number = 3"], [['unreadable', 3]]],
  [
    'an instant that is none',
    ["UPDATE entry SET at = '2026-13-45T99:00:00.000Z' WHERE number = 3"],
    [['unreadable', 3]],
  ],
  ['a negative attempt', ['UPDATE entry SET attempt = -1 WHERE number = 3'], [['unreadable', 3]]],
  [
    'an instant moved back',
    ["UPDATE entry SET at = '2026-11-25T14:05:18.249Z' WHERE number = 3"],
    [
      ['digest', 3],
      ['clock', 3],
    ],
  ],
  [
    'two rows exchanged',
    ['UPDATE entry SET number = CASE number WHEN 2 THEN -3 ELSE -2 END WHERE number IN (2, 3)'],
    [['unreadable', 1]],
  ],
];

for (const [name, [sql, ...values], want] of tampered) {
  test(`${name} behind the rules: ${want.map(([n, e]) => `${n} at ${e}`).join(', ')}`, () => {
    const file = filled();
    tamper(file, sql, ...values);
    expect(findings(file)).toEqual(want);
  });
}

test('an edited body with its own digest made right breaks the chain after it', () => {
  const file = filled();
  const ledger = openLedger(file, { readOnly: true });
  const third = [...ledger.entries()][2];
  ledger.close();
  if (third === undefined) throw new Error('five entries were made');
  const digest = entryDigest({ ...third, body: { text: 'edited' } });
  tamper(file, 'UPDATE entry SET body = ?, digest = ? WHERE number = 3', edited, digest);
  expect(findings(file)).toEqual([['chain', 4]]);
});

test('a tail cut off, or an old copy restored, shows against a certificate only', () => {
  const file = filled();
  const old = join(temporaryFolder(), 'old.db');
  copyFileSync(file, old);
  const ledger = openLedger(file);
  const sixth = ledger.append(note('f'), NOW);
  ledger.close();
  const anchor = { entry: 6, digest: sixth.digest, from: 'TW1-2026-000001' };
  expect(auditFile(file, [anchor]).findings).toEqual([]);

  const cut = join(temporaryFolder(), 'cut.db');
  copyFileSync(file, cut);
  tamper(cut, 'DELETE FROM entry WHERE number = 6');
  for (const shorter of [cut, old]) {
    expect(auditFile(shorter).findings).toEqual([]);
    expect(auditFile(shorter, [anchor]).findings.map((f) => f.name)).toEqual(['cut-off']);
  }

  const restored = openLedger(old);
  restored.append(note('another sixth'), NOW);
  restored.close();
  expect(auditFile(old).findings).toEqual([]);
  expect(auditFile(old, [anchor]).findings.map((f) => f.name)).toEqual(['rewritten']);
});

test('nothing is appended to a last entry that was changed', () => {
  const file = filled();
  tamper(file, 'UPDATE entry SET body = ? WHERE number = 5', edited);
  const ledger = openLedger(file);
  expect(problemOf(() => ledger.append(note('f'), NOW))).toMatch(
    /^ledger\/damaged: Entry 5 of ".*", the last one, was changed/u,
  );
  ledger.close();
  expect(findings(file)).toEqual([['digest', 5]]);
});

test('a ledger without one of its rules may be audited but not appended to', () => {
  const file = filled();
  const database = new Database(file);
  database.exec('DROP TRIGGER entry_no_delete');
  database.close();
  expect(problemOf(() => openLedger(file))).toMatch(/^ledger\/damaged: .*: entry_no_delete\.$/u);
  expect(auditFile(file).findings).toEqual([
    {
      name: 'unreadable',
      entry: 0,
      what: 'The rule "entry_no_delete" that protects the entries is missing or was changed.',
    },
  ]);
});

test('damaged pages are named, whichever they are, and nothing is altered', () => {
  const whole = filled();
  const size = statSync(whole).size;
  let named = 0;
  for (let page = 1; page * 4096 < size; page += 1) {
    const file = join(temporaryFolder(), 'ledger.db');
    const bytes = readFileSync(whole).fill(0xa5, page * 4096, (page + 1) * 4096);
    writeFileSync(file, bytes);
    const message = problemOf(() => {
      const { findings: found } = auditFile(file);
      if (found.length > 0)
        throw new StallmarkError([{ code: 'ledger/damaged', what: found[0]?.what ?? '', fix: '' }]);
    });
    expect(message).toMatch(/^ledger\/damaged: /u);
    expect(readFileSync(file).equals(bytes)).toBe(true);
    named += 1;
  }
  expect(named).toBeGreaterThan(1);
});

test('a ledger cut short is damaged', () => {
  const file = filled();
  truncateSync(file, 4096);
  expect(problemOf(() => openLedger(file).last())).toMatch(/^ledger\/damaged: /u);
});

const notLedgers: readonly (readonly [string, (file: string) => void, string])[] = [
  [
    'text',
    (file) => {
      writeFileSync(file, 'not a database. '.repeat(400));
    },
    'is not a database',
  ],
  [
    'a database of another program',
    (file) => {
      const database = new Database(file);
      database.exec('CREATE TABLE customer (name TEXT)');
      database.close();
    },
    'is a database of another program',
  ],
  [
    'a ledger of a newer version',
    (file) => {
      openLedger(file).close();
      const database = new Database(file);
      database.pragma('user_version = 2');
      database.close();
    },
    'was written by a newer program: format 2, this one reads 1',
  ],
];

for (const [name, make, message] of notLedgers) {
  for (const readOnly of [true, false]) {
    test(`${name} is refused in words and left alone, read-only: ${String(readOnly)}`, () => {
      const file = join(temporaryFolder(), 'ledger.db');
      make(file);
      const before = readFileSync(file);
      const found = problemOf(() => openLedger(file, { readOnly }));
      expect(found).toMatch(/^storage\/unreadable: /u);
      expect(found).toContain(message);
      expect(readFileSync(file).equals(before)).toBe(true);
    });
  }
}

test('an empty file holds no ledger to read, and a missing one is not created', () => {
  const folder = temporaryFolder();
  const file = join(folder, 'ledger.db');
  expect(problemOf(() => openLedger(file, { readOnly: true }))).toMatch(
    /^storage\/unreadable: There/u,
  );
  expect(readdirSync(folder)).toEqual([]);
  writeFileSync(file, '');
  expect(problemOf(() => openLedger(file, { readOnly: true }))).toContain('holds no ledger');
  expect(statSync(file).size).toBe(0);
});

test('reading for an audit leaves the file and its folder as they were, and refuses to append', () => {
  const file = filled();
  const folder = join(file, '..');
  const before = {
    bytes: readFileSync(file),
    names: readdirSync(folder),
    at: statSync(file).mtimeMs,
  };
  const ledger = openLedger(file, { readOnly: true });
  expect([...ledger.entries()].length).toBe(5);
  expect(problemOf(() => ledger.append(note('f'), NOW))).toMatch(/^storage\/unwritable: /u);
  expect(readdirSync(folder)).toEqual(before.names);
  ledger.close();
  expect(readFileSync(file).equals(before.bytes)).toBe(true);
  expect(readdirSync(folder)).toEqual(before.names);
  expect(statSync(file).mtimeMs).toBe(before.at);
});

test('a reader sees what another program has appended and not yet folded into the file', () => {
  const file = join(temporaryFolder(), 'ledger.db');
  const writer = openLedger(file);
  writer.append(note('a'), NOW);
  expect(existsSync(`${file}-wal`)).toBe(true);
  expect(auditFile(file)).toMatchObject({ entries: 1, findings: [] });
  writer.append(note('b'), NOW);
  expect(auditFile(file)).toMatchObject({ entries: 2, findings: [] });
  writer.close();
});

/** Does something as an account without rights, also when the tests run as the administrator. */
function withoutRights(action: () => void): void {
  const isAdministrator = process.getuid?.() === 0;
  if (isAdministrator) process.seteuid?.(65534);
  try {
    action();
  } finally {
    if (isAdministrator) process.seteuid?.(0);
  }
}

test('a write-protected folder: reading works, opening and creating are refused', () => {
  const file = filled();
  const folder = join(file, '..');
  chmodSync(file, 0o444);
  chmodSync(folder, 0o555);
  withoutRights(() => {
    expect(auditFile(file)).toMatchObject({ entries: 5, findings: [] });
    expect(problemOf(() => openLedger(file))).toMatch(/^storage\/unwritable: /u);
    expect(problemOf(() => openLedger(join(folder, 'new.db')))).toMatch(/^storage\/unwritable: /u);
    expect(problemOf(() => openLedger(join(folder, 'sub', 'new.db')))).toMatch(
      /^storage\/unwritable: /u,
    );
  });
  chmodSync(folder, 0o755);
  expect(readdirSync(folder)).toEqual(['ledger.db']);
});

test('a folder in the place of the file, and a file in the place of the folder', () => {
  const folder = temporaryFolder();
  mkdirSync(join(folder, 'ledger.db'));
  writeFileSync(join(folder, 'file'), '');
  expect(problemOf(() => openLedger(join(folder, 'ledger.db')))).toMatch(/^storage\/unwritable: /u);
  expect(problemOf(() => openLedger(join(folder, 'file', 'ledger.db')))).toMatch(
    /^storage\/unwritable: /u,
  );
});

test('a full disk refuses the entry that does not fit; what was there stays, what fits goes on', () => {
  const file = filled();
  const database = new Database(file);
  const pages = Number(database.pragma('page_count', { simple: true }));
  database.pragma(`max_page_count = ${pages}`);
  const ledger = ledgerOn(database, file);
  const large = note('x'.repeat(100_000));
  let moved = false;
  const append = (): unknown =>
    ledger.append(large, NOW, () => {
      moved = true;
    });
  expect(problemOf(append)).toBe(`storage/full: There is no space left for "${file}".`);
  expect(moved).toBe(false);
  expect(ledger.last()?.number).toBe(5);
  database.pragma('max_page_count = 10000');
  expect(ledger.append(large, NOW).number).toBe(6);
  ledger.close();
  expect(auditFile(file)).toMatchObject({ entries: 6, findings: [] });
});

test('another program that is appending: refused in words after the patience, then it goes on', () => {
  const file = filled();
  const other = new Database(file);
  other.exec('BEGIN IMMEDIATE');
  const ledger = openLedger(file, { patience: 20 });
  expect(problemOf(() => ledger.append(note('f'), NOW))).toBe(
    `ledger/busy: Another program holds "${file}".`,
  );
  expect([...ledger.entries()].length).toBe(5); // reading goes on
  other.exec('ROLLBACK');
  other.close();
  expect(ledger.append(note('f'), NOW).number).toBe(6);
  ledger.close();
});

test('two programs that append at once: numbers and chain stay whole', async () => {
  const root = temporaryFolder();
  const names = ['left', 'right'];
  const children = names.map((name) =>
    startChild('storage-child.ts', ['append', root, name, '40']),
  );
  await Promise.all(children.map((child) => once(child.stdout, 'data'))); // both have it open
  const endings = children.map(endOf);
  for (const child of children) child.stdin.write('go\n');
  for (const ended of await Promise.all(endings)) {
    expect(ended).toEqual({ status: 0, signal: null, stderr: '' });
  }
  const file = join(root, 'ledger.db');
  expect(auditFile(file)).toMatchObject({ entries: 160, findings: [] });
  const ledger: Ledger = openLedger(file, { readOnly: true });
  const begun = [...ledger.entries()].filter((e) => e.kind === 'attempt-begun');
  ledger.close();
  expect(new Set(begun.map((e) => e.body['certificate'])).size).toBe(80);
  expect(begun.at(-1)?.body['certificate']).toBe('SIM-TW1-2026-000080');
}, 120_000);

test('the digest in the file is that of the canonical entry: any tool can check it', () => {
  const file = filled();
  const database = new Database(file, { readonly: true });
  const row = database.prepare('SELECT * FROM entry WHERE number = 2').get() as Record<
    string,
    string
  >;
  database.close();
  const { digest, body = '', ...rest } = row;
  expect(digestOf({ ...rest, body: JSON.parse(body) as { readonly text: string } })).toBe(digest);
});

test('a program that is killed while it holds the ledger leaves it free', async () => {
  const root = temporaryFolder();
  const child = startChild('storage-child.ts', ['hold', root, 'ledger']);
  await once(child.stdout, 'data');
  const ended = endOf(child);
  child.kill('SIGKILL');
  expect((await ended).signal).toBe('SIGKILL');
  const ledger = openLedger(join(root, 'ledger.db'), { patience: 20 });
  expect(ledger.append(note('a'), NOW).number).toBe(1);
  ledger.close();
});
