import { createHash, randomBytes } from 'node:crypto';
import { existsSync, mkdirSync } from 'node:fs';
import { dirname, join } from 'node:path';
import Database from 'better-sqlite3';
import { StallmarkError } from '../base/error.js';
import { ROLES, type Session } from '../people/people.js';
import type { SessionPlace } from './start.js';

/** A session of a page, as it is kept. Times in ms since the Unix epoch. */
export interface KeptSession {
  /** 1, 2, 3 …; names the session to people, unlike its secret. */
  readonly number: number;
  readonly session: Session;
  readonly place: SessionPlace;
  /** Digest of what the register said of the person at log-in; empty where nobody was checked. */
  readonly standing: string;
  /** Address of the browser. */
  readonly address: string;
  readonly seen: number;
  /** Without a further sign of life it has ended then. */
  readonly until: number;
  /** Last entry of it in the ledger. */
  readonly entered: number;
  readonly ended?: { readonly at: number; readonly why: string };
}

/** What is known of a session when it begins. */
export type NewSession = Pick<KeptSession, 'session' | 'place' | 'standing' | 'address' | 'until'>;

/** The sessions of a folder of records. */
export const sessionsFile = (root: string): string => join(root, 'sessions.db');

/** Bytes of the secret in the cookie: 256 bits. */
const SECRET_BYTES = 32;

/** ms for which ended sessions stay listed. */
const LISTED = 90 * 86_400_000;

/** ms to wait for another program; short, because the thread that waits also answers signs of life. */
const PATIENCE = 250;

const VERSION = 1;

const SCHEMA = `CREATE TABLE session (
  number INTEGER PRIMARY KEY AUTOINCREMENT,
  secret TEXT NOT NULL UNIQUE,
  person TEXT NOT NULL,
  place TEXT NOT NULL,
  standing TEXT NOT NULL,
  address TEXT NOT NULL,
  began INTEGER NOT NULL,
  seen INTEGER NOT NULL,
  until INTEGER NOT NULL,
  entered INTEGER NOT NULL,
  ended INTEGER,
  why TEXT
) STRICT`;

/**
 * Sessions in a database of their own, so that any program on this computer can list and end them.
 * The secret of a session is only in its cookie; kept is its SHA-256.
 */
export class Sessions {
  readonly #database: Database.Database;
  readonly #file: string;

  /** @throws storage/unreadable when the file holds something else. */
  constructor(file: string) {
    this.#file = file;
    mkdirSync(dirname(file), { recursive: true });
    this.#database = explained(file, () => opened(file));
  }

  /** Begins a session. @returns The secret for the cookie, which is kept nowhere else. */
  begin(wanted: NewSession, now: number): { readonly secret: string; readonly number: number } {
    const secret = randomBytes(SECRET_BYTES).toString('base64url');
    const { session, place, standing, address, until } = wanted;
    const row = [digest(secret), JSON.stringify(session), place, standing, address] as const;
    const number = this.#run(
      `INSERT INTO session (secret, person, place, standing, address, began, seen, until, entered)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
      [...row, now, now, until, now],
    );
    this.#run('DELETE FROM session WHERE coalesce(ended, until) < ?', [now - LISTED]);
    return { secret, number };
  }

  /** The session of a cookie, whether it has ended or not. */
  find(secret: string): KeptSession | undefined {
    return this.#rows('WHERE secret = ?', [digest(secret)])[0];
  }

  /** Every session that is kept, newest first. */
  list(): readonly KeptSession[] {
    return this.#rows('ORDER BY number DESC', []);
  }

  /** Sessions that nobody ended and that have not run out. */
  open(now: number): readonly KeptSession[] {
    return this.#rows('WHERE ended IS NULL AND until > ?', [now]);
  }

  /** Enters a sign of life. */
  touch(number: number, now: number, until: number): void {
    this.#run('UPDATE session SET seen = ?, until = ? WHERE number = ? AND ended IS NULL', [
      ...[now, until, number],
    ]);
  }

  /** Remembers that the ledger was told that the session goes on. */
  told(number: number, now: number): void {
    this.#run('UPDATE session SET entered = ? WHERE number = ?', [now, number]);
  }

  /** Ends a session for good; one that has ended stays as it is. */
  end(number: number, now: number, why: string): void {
    this.#run('UPDATE session SET ended = ?, why = ? WHERE number = ? AND ended IS NULL', [
      ...[now, why, number],
    ]);
  }

  close(): void {
    this.#database.close();
  }

  #run(sql: string, values: readonly (string | number)[]): number {
    const { lastInsertRowid } = explained(this.#file, () =>
      this.#database.prepare(sql).run(...values),
    );
    return Number(lastInsertRowid);
  }

  #rows(where: string, values: readonly (string | number)[]): readonly KeptSession[] {
    const rows = explained(this.#file, () =>
      this.#database.prepare(`SELECT * FROM session ${where}`).all(...values),
    );
    return rows.flatMap((row) => keptIn(row) ?? []);
  }
}

/** Opens the sessions of a folder that has some; undefined when nobody ever logged in to a page. */
export function existingSessions(root: string): Sessions | undefined {
  const file = sessionsFile(root);
  return existsSync(file) ? new Sessions(file) : undefined;
}

const digest = (secret: string): string => createHash('sha256').update(secret).digest('hex');

function opened(file: string): Database.Database {
  const database = new Database(file, { timeout: PATIENCE });
  try {
    database.pragma('journal_mode = WAL');
    database.pragma('synchronous = NORMAL'); // a log-in lost with the power is only one more log-in
    if (versionOf(database) === 0) {
      database.exec(`BEGIN IMMEDIATE`);
      if (versionOf(database) === 0) {
        database.exec(SCHEMA);
        database.pragma(`user_version = ${String(VERSION)}`);
      }
      database.exec('COMMIT');
    }
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}

const versionOf = (database: Database.Database): number =>
  Number(database.pragma('user_version', { simple: true }));

/** Reads a row back; one that cannot be read is no session. */
function keptIn(row: unknown): KeptSession | undefined {
  const read = row as Readonly<Record<string, string | number | null>>; // columns are STRICT
  const session = sessionIn(String(read['person']));
  const { ended } = read;
  if (session === undefined) return undefined;
  const number = (name: string): number => Number(read[name]);
  return {
    session,
    number: number('number'),
    place: read['place'] === 'bench' ? 'bench' : 'desk',
    standing: String(read['standing']),
    address: String(read['address']),
    seen: number('seen'),
    until: number('until'),
    entered: number('entered'),
    ...(typeof ended === 'number'
      ? { ended: { at: ended, why: read['why']?.toString() ?? '' } }
      : {}),
  };
}

function sessionIn(text: string): Session | undefined {
  const read = JSON.parse(text) as Partial<Session>; // written by `begin`
  const { id, name, roles, at, means, training, zone } = read;
  if (typeof id !== 'string' || typeof name !== 'string' || typeof at !== 'number')
    return undefined;
  return {
    ...{ id, name, at },
    roles: ROLES.filter((role) => roles?.includes(role) === true),
    means: means === 'authenticated' ? means : 'stated',
    training: training ?? [],
    zone: zone ?? 'UTC',
  };
}

function explained<T>(file: string, step: () => T): T {
  try {
    return step();
  } catch (cause) {
    if (!(cause instanceof Database.SqliteError)) throw cause;
    const isBusy = cause.code.startsWith('SQLITE_BUSY');
    const what = `The sessions in "${file}" cannot be used: ${cause.message}.`;
    const fix = isBusy
      ? 'Try again in a moment.'
      : 'Move the file away; everybody then logs in again, and no record is lost.';
    const code = isBusy ? 'ledger/busy' : 'storage/unreadable';
    throw new StallmarkError([{ code, what, fix }], { cause });
  }
}
