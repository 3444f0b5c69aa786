import { rmSync, statSync } from 'node:fs';
import { setImmediate as turn } from 'node:timers/promises';
import Database from 'better-sqlite3';
import { StallmarkError } from '../base/error.js';
import { FIRST_PREVIOUS, type Entry } from './ledger.js';
import type { Searching } from './search-line.js';
import { lookUp, type Lookup } from './search-query.js';
import { openLedger, type LedgerFile } from './sqlite.js';

/** What an entry means for the index. */
export type IndexChange =
  | {
      readonly kind: 'begun';
      readonly attempt: number;
      readonly certificate: string;
      readonly model: string;
      readonly bench: string;
      readonly simulated: boolean;
    }
  | {
      readonly kind: 'ended';
      readonly attempt: number;
      readonly certificate: string;
      readonly revision: number;
      /** ACCEPT, REJECT or HOLD; "broken off" without a record. */
      readonly word: string;
      readonly outcome: string;
      readonly reason: string;
    }
  | {
      readonly kind: 'refused';
      readonly model: string;
      readonly bench: string;
      readonly simulated: boolean;
      readonly reason: string;
    }
  /** A check found that nothing proved the bench when this record was issued. */
  | { readonly kind: 'suspected'; readonly record: number }
  /** A person decided on the item, so that none of its records is suspect any more. */
  | { readonly kind: 'decided' };

/** Tells what an entry means; none for one that says nothing about attempts. */
export type Follow = (entry: Entry) => readonly IndexChange[];

/** Where a ledger and its index lie, and how entries are read. */
export interface Searched {
  readonly ledger: string;
  readonly index: string;
  readonly follow: Follow;
}

/** Marks the file as ours: "STLX". */
const APPLICATION = 0x53544c58;
/** Raised whenever tables or what `follow` tells change: an older index is then made anew. */
const VERSION = 1;

const TABLES = `
CREATE TABLE line (
  entry INTEGER PRIMARY KEY, kind TEXT NOT NULL, serial TEXT NOT NULL, attempt INTEGER NOT NULL,
  certificate TEXT NOT NULL, revision INTEGER NOT NULL, at TEXT NOT NULL, by TEXT NOT NULL,
  model TEXT NOT NULL, bench TEXT NOT NULL, simulated INTEGER NOT NULL, word TEXT NOT NULL,
  outcome TEXT NOT NULL, reason TEXT NOT NULL, ended TEXT, ending INTEGER, suspect INTEGER, superseded INTEGER,
  find TEXT NOT NULL
) STRICT;
CREATE INDEX line_attempt ON line (serial, attempt);
CREATE INDEX line_certificate ON line (certificate);
CREATE INDEX line_ending ON line (ending);
CREATE INDEX line_word ON line (word, by);
CREATE INDEX line_at ON line (at);
CREATE INDEX line_suspect ON line (suspect) WHERE suspect IS NOT NULL;
CREATE INDEX line_superseded ON line (superseded) WHERE superseded IS NOT NULL;
CREATE INDEX line_find ON line (find);
CREATE TABLE choice (what TEXT NOT NULL, name TEXT NOT NULL, PRIMARY KEY (what, name)) STRICT, WITHOUT ROWID;
CREATE TABLE other (entry INTEGER PRIMARY KEY, kind TEXT NOT NULL, serial TEXT NOT NULL, at TEXT NOT NULL) STRICT;
CREATE TABLE seen (
  one INTEGER PRIMARY KEY CHECK (one = 1), number INTEGER NOT NULL, digest TEXT NOT NULL, stamp TEXT NOT NULL
) STRICT;
INSERT INTO seen VALUES (1, 0, '${FIRST_PREVIOUS}', '');`;

/** Entries taken over at a time; others get their turn in between. */
const BITE = 250;

/**
 * Looks something up in an index of a ledger, which is first continued to the ledger's end.
 *
 * The index is derived: it lies in a file of its own beside the ledger, begins after the last entry it
 * saw, is made anew when that entry is not the one in the ledger, and proves nothing. Where the folder
 * is write-protected it lives in memory for this one question. The ledger is opened to be read only.
 *
 * @throws storage/unreadable when there is no ledger, or another program's database lies where the
 * index should; ledger/*.
 */
export async function search<T>(
  searched: Searched,
  ask: (lookup: Lookup) => T | Promise<T>,
): Promise<T> {
  const found = await searchFor(searched, ask, Infinity);
  if (found.kind === 'answer') return found.answer;
  throw new Error('an index without a bound was not continued to the end');
}

/**
 * The same, but takes over `most` entries only: whoever asks in a thread that others wait for asks
 * again. Where the index can only live in memory it is made whole.
 */
export async function searchFor<T>(
  searched: Searched,
  ask: (lookup: Lookup) => T | Promise<T>,
  most: number,
): Promise<Searching<T>> {
  const stamp = stampOf(searched.ledger);
  const database = openIndex(searched.index);
  try {
    if (seenOf(database).stamp !== stamp) {
      const rest = await continued(database, searched, stamp, database.memory ? Infinity : most);
      if (rest !== undefined) return { kind: 'making', ...rest };
    }
    return { kind: 'answer', answer: await ask(lookUp(database)) };
  } finally {
    database.close();
  }
}

/** Tells one state of the ledger's files from another without opening them. */
function stampOf(ledger: string): string {
  const stamp = (file: string): string => {
    const stat = statSync(file, { throwIfNoEntry: false, bigint: true });
    return stat === undefined ? '-' : `${stat.mtimeNs} ${stat.size} ${stat.ino}`;
  };
  return `${stamp(ledger)}, ${stamp(`${ledger}-wal`)}`;
}

function openIndex(file: string): Database.Database {
  try {
    return prepared(new Database(file), file);
  } catch (error) {
    const code = error instanceof Database.SqliteError ? error.code : '';
    if (/^SQLITE_(?:NOTADB|CORRUPT)/u.test(code)) {
      for (const end of ['', '-wal', '-shm']) rmSync(file + end, { force: true });
      return prepared(new Database(file), file);
    }
    const isProtected = /^SQLITE_(?:CANTOPEN|READONLY|PERM)/u.test(code);
    if (!isProtected) throw error;
    return prepared(new Database(':memory:'), file);
  }
}

function prepared(database: Database.Database, file: string): Database.Database {
  try {
    database.pragma('trusted_schema = OFF');
    const application = database.pragma('application_id', { simple: true });
    const tables = database.prepare('SELECT count(*) FROM sqlite_schema').pluck().get();
    if (application !== APPLICATION && tables !== 0) throw foreign(file);
    database.pragma('journal_mode = WAL');
    database.pragma('synchronous = NORMAL');
    const make = database.transaction(() => {
      if (database.pragma('user_version', { simple: true }) !== VERSION) renew(database);
    });
    make.immediate();
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}

function foreign(file: string): StallmarkError {
  const what = `"${file}" is a database of another program; an index of the ledger belongs there.`;
  const fix = 'Move that file elsewhere; the index is made anew by itself.';
  return new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
}

/** Makes the tables anew and empty. */
function renew(database: Database.Database): void {
  for (const table of ['line', 'choice', 'other', 'seen'])
    database.exec(`DROP TABLE IF EXISTS ${table}`);
  database.exec(TABLES);
  database.pragma(`application_id = ${APPLICATION}`);
  database.pragma(`user_version = ${VERSION}`);
}

interface Seen {
  readonly number: number;
  readonly digest: string;
  readonly stamp: string;
}

function seenOf(database: Database.Database): Seen {
  return database.prepare<[], Seen>('SELECT number, digest, stamp FROM seen').get() ?? NOTHING;
}

const NOTHING: Seen = { number: 0, digest: FIRST_PREVIOUS, stamp: '' };

/** Continues the index to the end of the ledger, or tells how far it is after `most` entries. */
async function continued(
  database: Database.Database,
  { ledger: file, follow }: Searched,
  stamp: string,
  most: number,
): Promise<{ readonly seen: number; readonly of: number } | undefined> {
  const ledger = openLedger(file, { readOnly: true });
  try {
    const bite = database.transaction(() => takeOver(database, ledger, follow));
    for (let taken = BITE; bite.immediate(); taken += BITE) {
      if (taken >= most) return { seen: seenOf(database).number, of: ledger.last()?.number ?? 0 };
      await turn();
    }
    // Taken before the ledger was read: what is appended since changes it again.
    database.prepare('UPDATE seen SET stamp = ?').run(stamp);
    return undefined;
  } finally {
    ledger.close();
  }
}

/** Takes over some entries. @returns Whether there may be more. */
function takeOver(database: Database.Database, ledger: LedgerFile, follow: Follow): boolean {
  const seen = seenOf(database);
  if (seen.number > 0 && ledger.at(seen.number)?.digest !== seen.digest) {
    renew(database);
    return true;
  }
  const enter = entering(database);
  let last: Entry | undefined;
  let count = 0;
  for (const entry of ledger.entries(seen.number)) {
    enter(entry, follow(entry));
    last = entry;
    count += 1;
    if (count === BITE) break;
  }
  if (last === undefined) return false;
  const { number, digest } = last;
  database.prepare('UPDATE seen SET number = ?, digest = ?').run(number, digest);
  return count === BITE;
}

type Enter = (entry: Entry, changes: readonly IndexChange[]) => void;

function entering(database: Database.Database): Enter {
  const make = makers(database);
  const other = database.prepare('INSERT OR REPLACE INTO other VALUES (?, ?, ?, ?)');
  return (entry, changes) => {
    const { number, kind, serial, at } = entry;
    if (kind !== 'attempt-begun' && kind !== 'record-issued' && kind !== 'item-claimed') {
      other.run(number, kind, serial, at);
    }
    for (const change of changes) make(entry, change);
  };
}

const ADD = `INSERT INTO line (entry, kind, serial, attempt, certificate, revision, at, by, model, bench, simulated,
  word, outcome, reason, find) VALUES (@entry, @kind, @serial, @attempt, @certificate, 0, @at, @by, @model, @bench,
  @simulated, @word, '', @reason, @find)`;

const END = `UPDATE line SET word = @word, outcome = @outcome, reason = @reason, ended = @at, ending = @entry,
  revision = @revision WHERE serial = @serial AND attempt = @attempt AND kind = 'attempt' AND ending IS NULL`;

/** A later revision of a record is a line of its own, with what its attempt began with. */
const REVISE = `INSERT INTO line SELECT @entry, kind, serial, attempt, certificate, @revision, at, @by, model, bench,
  simulated, @word, @outcome, @reason, @at, @entry, NULL, NULL, find FROM line
  WHERE serial = @serial AND attempt = @attempt AND kind = 'attempt' LIMIT 1`;

const SUPERSEDE = `UPDATE line SET superseded = @revision WHERE certificate = @certificate
  AND revision < @revision AND ending IS NOT NULL`;

type Began = Extract<IndexChange, { readonly kind: 'begun' | 'refused' }>;

function makers(database: Database.Database): (entry: Entry, change: IndexChange) => void {
  const line = database.prepare(ADD);
  const choice = database.prepare('INSERT OR IGNORE INTO choice VALUES (?, ?)');
  const add = (
    entry: Entry,
    change: Began,
    more: Readonly<Record<string, string | number>>,
  ): void => {
    const { number, serial, at, by } = entry;
    const certificate = change.kind === 'begun' ? change.certificate : '';
    const find = `${serial}\n${certificate}`.toUpperCase();
    const simulated = Number(change.simulated);
    line.run({ entry: number, serial, at, by, ...change, ...more, certificate, simulated, find });
    choice.run('model', change.model);
    choice.run('by', by);
  };
  const end = database.prepare(END);
  const revise = database.prepare(REVISE);
  const supersede = database.prepare(SUPERSEDE);
  const suspect = database.prepare(
    'UPDATE line SET suspect = coalesce(suspect, ?) WHERE ending = ?',
  );
  const decide = database.prepare('UPDATE line SET suspect = NULL WHERE serial = ?');
  return (entry, change) => {
    const { number, serial, at, by } = entry;
    const common = { entry: number, serial, at, by };
    switch (change.kind) {
      case 'begun':
        add(entry, change, { kind: 'attempt', word: '', reason: '' });
        return;
      case 'refused':
        add(entry, change, { kind: 'refused', word: 'refused', attempt: 0 });
        return;
      case 'ended':
        if (end.run({ ...common, ...change }).changes === 0) revise.run({ ...common, ...change });
        if (change.revision > 0) supersede.run({ ...change });
        return;
      case 'suspected':
        suspect.run(number, change.record);
        return;
      case 'decided':
        decide.run(serial);
        return;
      default:
        change satisfies never;
    }
  };
}
