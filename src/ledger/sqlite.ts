import { accessSync, constants, mkdirSync, readFileSync, statSync } from 'node:fs';
import { dirname } from 'node:path';
import Database from 'better-sqlite3';
import { canonicalJson, type Json } from '../base/canonical.js';
import { StallmarkError, type Problem } from '../base/error.js';
import {
  chained,
  confirmsClock,
  ENTRY_KINDS,
  entryDigest,
  type Entry,
  type Ledger,
  type NewEntry,
} from './ledger.js';

/** How a ledger file is opened. */
export interface Opening {
  /** Neither creates nor changes the file; `append` is refused. */
  readonly readOnly?: boolean;
  /** ms to wait for another program that is appending; 2000 when left out. */
  readonly patience?: number;
}

/** A ledger in a file, which can also be looked over as a file. */
export interface LedgerFile extends Ledger {
  /** One entry by its number. */
  at(number: number): Entry | undefined;
  /** What is wrong with the file below its entries, in sentences; slow on a large one. */
  fileFaults(): readonly string[];
}

const PATIENCE = 2000;

/** Marks the file as ours: "STLM". */
const APPLICATION = 0x53544c4d;
const VERSION = 1;
const EMPTY_SCHEMA = 0;

/**
 * The table refuses by itself what `Ledger` cannot express: change, removal, replacement, gaps and
 * entries that do not name the digest before them.
 */
const SCHEMA: readonly (readonly [name: string, sql: string])[] = [
  [
    'entry',
    `CREATE TABLE entry (
  number INTEGER PRIMARY KEY,
  at TEXT NOT NULL,
  kind TEXT NOT NULL,
  serial TEXT NOT NULL,
  attempt INTEGER NOT NULL,
  by TEXT NOT NULL,
  body TEXT NOT NULL,
  previous TEXT NOT NULL,
  digest TEXT NOT NULL
) STRICT`,
  ],
  ['entry_serial', 'CREATE INDEX entry_serial ON entry (serial, number)'],
  [
    'entry_no_update',
    `CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: no entry changes'); END`,
  ],
  [
    'entry_no_delete',
    `CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: no entry is removed'); END`,
  ],
  [
    'entry_follows',
    `CREATE TRIGGER entry_follows BEFORE INSERT ON entry
WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entry)
  OR NEW.previous IS NOT coalesce((SELECT digest FROM entry ORDER BY number DESC LIMIT 1),
    '0000000000000000000000000000000000000000000000000000000000000000')
BEGIN SELECT RAISE(ABORT, 'an entry must follow the last one'); END`,
  ],
];

/**
 * Opens the ledger in an SQLite file, creating folder and file unless it is read-only.
 *
 * @throws storage/unwritable, storage/full, storage/unreadable (no database, another program's, a
 * newer version's), ledger/busy, ledger/damaged (unreadable pages, or rules missing from the table).
 */
export function openLedger(file: string, opening: Opening = {}): LedgerFile {
  const readonly = opening.readOnly === true;
  return explained(file, () => {
    if (readonly) refuseMissing(file);
    else mkdirSync(dirname(file), { recursive: true });
    const timeout = opening.patience ?? PATIENCE;
    const source = readonly ? restingBytes(file) : file;
    const database = new Database(source, { readonly, timeout });
    try {
      return ledgerOn(database, file);
    } catch (error) {
      database.close();
      throw error;
    }
  });
}

/**
 * The ledger on an open database; the caller chose how to open it. Creates the table when it may.
 * A file that lacks rules can still be read, so that it can be audited, but not appended to.
 */
export function ledgerOn(database: Database.Database, file: string): LedgerFile {
  return explained(file, () => {
    database.pragma('trusted_schema = OFF');
    refuseForeign(database, file);
    refuseNewer(database, file);
    if (!database.readonly) prepare(database, file);
    const missing = missingRules(database);
    const what = `"${file}" lacks rules that protect its entries, or has others: ${missing.join(', ')}.`;
    if (missing.includes('entry')) {
      throw refusal('storage/unreadable', `"${file}" holds no ledger.`, NAME_FIX);
    }
    if (missing.length > 0 && !database.readonly)
      throw refusal('ledger/damaged', what, DAMAGED_FIX);
    return new SqliteLedger(database, file);
  });
}

const NAME_FIX = 'Name the folder that holds ledger.db.';

function refuseMissing(file: string): void {
  if (statSync(file, { throwIfNoEntry: false })?.isFile() === true) return;
  const what = `There is no ledger "${file}".`;
  throw refusal('storage/unreadable', what, NAME_FIX);
}

/** Bytes of a database that is read whole into memory at most, where it need not be. */
const LARGEST_COPY = 32 * 1024 * 1024;

/**
 * The bytes of a database that nobody is writing, or else its name. Opened by name, even a reader
 * leaves files beside it and cannot work in a folder that is write-protected. A large one is opened
 * by name wherever it can be: one answer out of it must not wait until all of it is read.
 */
function restingBytes(file: string): Buffer | string {
  if (statSync(file).size > LARGEST_COPY && isWritable(dirname(file))) return file;
  const stamp = (): string => {
    const { mtimeMs, size } = statSync(file);
    return `${mtimeMs} ${size}`;
  };
  const isResting = (): boolean =>
    (statSync(`${file}-wal`, { throwIfNoEntry: false })?.size ?? 0) === 0;
  const before = stamp();
  if (!isResting()) return file;
  const bytes = readFileSync(file);
  if (!isResting() || stamp() !== before) return file;
  // Bytes 18 and 19 of the header ask for a write-ahead log (2), which memory has not (1).
  if (bytes[18] === 2 && bytes[19] === 2) bytes.fill(1, 18, 20);
  return bytes;
}

function isWritable(folder: string): boolean {
  try {
    accessSync(folder, constants.W_OK);
    return true;
  } catch {
    return false; // the question was whether it is
  }
}

function prepare(database: Database.Database, file: string): void {
  const mode = database.pragma('journal_mode = WAL', { simple: true });
  if (mode !== 'wal' && mode !== 'memory') {
    const what = `"${file}" cannot use a write-ahead log here; the file system offers "${String(mode)}".`;
    throw refusal('storage/unwritable', what, 'Keep the ledger on a local disk.');
  }
  database.pragma('synchronous = FULL');
  database.pragma('recursive_triggers = ON'); // REPLACE must meet the trigger against removal
  const create = database.transaction(() => {
    if (versionOf(database) !== EMPTY_SCHEMA) return;
    for (const [, sql] of SCHEMA) database.exec(sql);
    database.pragma(`application_id = ${APPLICATION}`);
    database.pragma(`user_version = ${VERSION}`);
  });
  if (versionOf(database) === EMPTY_SCHEMA) create.immediate();
}

const versionOf = (database: Database.Database): number =>
  Number(database.pragma('user_version', { simple: true }));

/** Nothing is written to a database that is somebody else's. */
function refuseForeign(database: Database.Database, file: string): void {
  const application = database.pragma('application_id', { simple: true });
  const tables = database.prepare('SELECT count(*) FROM sqlite_schema').pluck().get();
  if (application === APPLICATION || (application === 0 && tables === 0)) return;
  const what = `"${file}" is a database of another program.`;
  throw refusal('storage/unreadable', what, NAME_FIX);
}

function refuseNewer(database: Database.Database, file: string): void {
  const version = versionOf(database);
  if (version <= VERSION) return;
  const what = `"${file}" was written by a newer program: format ${version}, this one reads ${VERSION}.`;
  throw refusal('storage/unreadable', what, 'Update this program; the ledger was not touched.');
}

/** Names of the parts of the schema that are not as this program makes them. */
function missingRules(database: Database.Database): readonly string[] {
  const select = database.prepare('SELECT sql FROM sqlite_schema WHERE name = ?').pluck();
  return SCHEMA.filter(([name, sql]) => select.get(name) !== sql).map(([name]) => name);
}

const DAMAGED_FIX = 'Keep the file as it is, restore the last backup beside it and audit both.';

/** Rows read at a time, so that no statement stays open between two values of an iterator. */
const PAGE = 500;

class SqliteLedger implements LedgerFile {
  readonly #database: Database.Database;
  readonly #file: string;
  readonly #insert: Database.Statement;
  readonly #last: Database.Statement;
  readonly #after: Database.Statement;
  readonly #before: Database.Statement;
  readonly #serial: Database.Statement;
  readonly #one: Database.Statement;

  constructor(database: Database.Database, file: string) {
    this.#database = database;
    this.#file = file;
    this.#insert = database.prepare(
      `INSERT INTO entry (number, at, kind, serial, attempt, by, body, previous, digest)
       VALUES (@number, @at, @kind, @serial, @attempt, @by, @body, @previous, @digest)`,
    );
    this.#last = database.prepare('SELECT * FROM entry ORDER BY number DESC LIMIT 1');
    this.#after = database.prepare(
      `SELECT * FROM entry WHERE number > ? ORDER BY number LIMIT ${PAGE}`,
    );
    this.#before = database.prepare(
      `SELECT * FROM entry WHERE number < ? ORDER BY number DESC LIMIT ${PAGE}`,
    );
    this.#serial = database.prepare('SELECT * FROM entry WHERE serial = ? ORDER BY number');
    this.#one = database.prepare('SELECT * FROM entry WHERE number = ?');
  }

  append(entry: NewEntry | (() => NewEntry), now: number, before?: (entry: Entry) => void): Entry {
    const add = this.#database.transaction((): Entry => {
      const last = this.last();
      if (last !== undefined) refuseBrokenEnd(last, this.#file);
      const made = typeof entry === 'function' ? entry() : entry;
      refuseEarlier(made, last, now);
      const complete = chained(made, last, now);
      this.#insert.run({ ...complete, body: canonicalJson(complete.body) });
      before?.(complete);
      return complete;
    });
    return explained(this.#file, () => add.immediate());
  }

  *entries(after = Number.MIN_SAFE_INTEGER): IterableIterator<Entry> {
    yield* this.#pages(this.#after, after);
  }

  at(number: number): Entry | undefined {
    const row = explained(this.#file, () => this.#one.get(number));
    return row === undefined ? undefined : readRow(row, this.#file);
  }

  *newestFirst(): IterableIterator<Entry> {
    yield* this.#pages(this.#before, Number.MAX_SAFE_INTEGER);
  }

  *#pages(statement: Database.Statement, start: number): IterableIterator<Entry> {
    let from = start;
    for (;;) {
      const rows = explained(this.#file, () => statement.all(from));
      for (const row of rows) {
        const entry = readRow(row, this.#file);
        from = entry.number;
        yield entry;
      }
      if (rows.length < PAGE) return;
    }
  }

  of(serial: string): readonly Entry[] {
    const rows = explained(this.#file, () => this.#serial.all(serial));
    return rows.map((row) => readRow(row, this.#file));
  }

  last(): Entry | undefined {
    const row = explained(this.#file, () => this.#last.get());
    return row === undefined ? undefined : readRow(row, this.#file);
  }

  fileFaults(): readonly string[] {
    const missing = missingRules(this.#database).map(
      (name) => `The rule "${name}" that protects the entries is missing or was changed.`,
    );
    const check = explained(this.#file, () => this.#database.pragma('integrity_check'));
    const lines = Array.isArray(check) ? check.map(findingOf) : [];
    return [...missing, ...lines.filter((line) => line !== 'ok')];
  }

  close(): void {
    explained(this.#file, () => this.#database.close());
  }
}

function findingOf(row: unknown): string {
  if (typeof row !== 'object' || row === null) return 'ok';
  return Object.values(row).map(String).join(' ');
}

/** Nothing is chained to an entry that was changed: that would cover it up. */
function refuseBrokenEnd(last: Entry, file: string): void {
  if (entryDigest(last) === last.digest) return;
  const what = `Entry ${last.number} of "${file}", the last one, was changed after it was written.`;
  throw refusal('ledger/damaged', what, DAMAGED_FIX);
}

function refuseEarlier(entry: NewEntry, last: Entry | undefined, now: number): void {
  if (!Number.isFinite(now)) throw new Error(`an entry cannot be dated ${now}`);
  if (last === undefined || now >= Date.parse(last.at) || confirmsClock(entry)) return;
  const at = new Date(now).toISOString();
  const what = `The clock reads ${at}, but entry ${last.number} was made at ${last.at}.`;
  const fix =
    'Set the clock; if the last entry is the one that is wrong, have the clock confirmed.';
  throw refusal('ledger/clock', what, fix);
}

const DIGEST = /^[0-9a-f]{64}$/u;
const INSTANT = /^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z$/u;

/** Turns a row into an entry or says which of its columns cannot be one. */
function readRow(row: unknown, file: string): Entry {
  const columns: Readonly<Record<string, unknown>> =
    typeof row === 'object' && row !== null ? { ...row } : {};
  const wrong: string[] = [];
  const text = (name: string, shape = /^/u): string => {
    const value = columns[name];
    if (typeof value === 'string' && shape.test(value)) return value;
    wrong.push(name);
    return '';
  };
  const count = (name: string, least: number): number => {
    const value = columns[name];
    if (typeof value === 'number' && Number.isSafeInteger(value) && value >= least) return value;
    wrong.push(name);
    return 0;
  };
  const kind = ENTRY_KINDS.find((known) => known === columns['kind']);
  const body = readBody(columns['body']);
  if (kind === undefined) wrong.push('kind');
  if (body === undefined) wrong.push('body');
  const entry = {
    number: count('number', 1),
    at: text('at', INSTANT),
    serial: text('serial'),
    attempt: count('attempt', 0),
    by: text('by'),
    previous: text('previous', DIGEST),
    digest: text('digest', DIGEST),
  };
  if (!Number.isFinite(Date.parse(entry.at))) wrong.push('at');
  if (kind !== undefined && body !== undefined && wrong.length === 0) {
    return { ...entry, kind, body };
  }
  const columnsRead = [...new Set(wrong)].join(', ');
  const what = `Entry ${String(columns['number'])} of "${file}" cannot be read: ${columnsRead}.`;
  throw refusal('ledger/damaged', what, DAMAGED_FIX);
}

/** A body must stand there exactly as it would be written again: canonical JSON of an object. */
function readBody(text: unknown): Entry['body'] | undefined {
  if (typeof text !== 'string') return undefined;
  let value: Json;
  try {
    value = JSON.parse(text) as Json; // JSON.parse yields nothing but Json
  } catch {
    return undefined; // named as damaged by the caller
  }
  if (typeof value !== 'object' || value === null || isList(value)) return undefined;
  return canonicalJson(value) === text ? value : undefined;
}

/** Array.isArray does not narrow readonly arrays. */
const isList = (value: Json): value is readonly Json[] => Array.isArray(value);

/** Runs work on the database and says in words what the storage refused. */
function explained<T>(file: string, work: () => T): T {
  try {
    return work();
  } catch (error) {
    const problem = explanation(error, file);
    if (problem === undefined) throw error;
    throw new StallmarkError([problem], { cause: error });
  }
}

const FULL_FIX = 'Free space on the disk, then try again; nothing was lost.';
const RIGHTS_FIX = 'Check that the folder exists and that this account may write to it.';

function explanation(error: unknown, file: string): Problem | undefined {
  const code = codeOf(error);
  if (/^SQLITE_(?:BUSY|LOCKED)/u.test(code)) {
    const what = `Another program holds "${file}".`;
    return { code: 'ledger/busy', what, fix: 'Let it finish or close it, then try again.' };
  }
  if (/^SQLITE_FULL|^ENOSPC$|^EDQUOT$/u.test(code)) {
    return { code: 'storage/full', what: `There is no space left for "${file}".`, fix: FULL_FIX };
  }
  if (code === 'SQLITE_NOTADB') {
    const what = `"${file}" is not a database.`;
    const fix = 'Keep the file, name the right one or restore the last backup.';
    return { code: 'storage/unreadable', what, fix };
  }
  if (/^SQLITE_CORRUPT/u.test(code)) {
    const what = `"${file}" is damaged: ${String(error)}.`;
    return { code: 'ledger/damaged', what, fix: DAMAGED_FIX };
  }
  if (
    /^SQLITE_(?:CANTOPEN|READONLY|PERM|IOERR|AUTH)|^E(?:ACCES|PERM|ROFS|NOTDIR|EXIST|NOENT|IO)$/u.test(
      code,
    )
  ) {
    const what = `"${file}" cannot be opened or written: ${String(error)}.`;
    return { code: 'storage/unwritable', what, fix: RIGHTS_FIX };
  }
  return undefined;
}

function codeOf(error: unknown): string {
  if (typeof error !== 'object' || error === null || !('code' in error)) return '';
  return typeof error.code === 'string' ? error.code : '';
}

function refusal(code: Problem['code'], what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}
