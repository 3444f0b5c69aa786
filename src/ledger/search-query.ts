import type Database from 'better-sqlite3';
import type { Choices, Found, FoundLine, LineState, LineWish } from './search-line.js';

/** Which entries beside attempts are wanted. */
export interface OtherWish {
  readonly kinds: readonly string[];
  readonly serial?: string;
  readonly from?: string;
  readonly to?: string;
}

/** Questions to an index that is up to date. */
export interface Lookup {
  /** @param from - How many to leave out, for further pages. */
  find(wish: LineWish, from: number, count: number): Found;
  /** All lines of one serial, oldest first. */
  of(serial: string): readonly FoundLine[];
  choices(): Choices;
  /** Number of the last entry, 0 for an empty ledger, and its digest. */
  last(): { readonly number: number; readonly digest: string };
  /** Numbers of entries of some kinds, newest first; attempts and records are not among them. */
  others(wish: OtherWish): readonly number[];
}

/** Asks the tables that `search` keeps. */
export function lookUp(database: Database.Database): Lookup {
  return {
    find: (wish, from, count) => find(database, wish, from, count),
    of: (serial) =>
      database
        .prepare<[string], Row>('SELECT * FROM line WHERE serial = ? ORDER BY entry')
        .all(serial)
        .map(lineOf),
    choices: () => ({
      models: names(database, 'model'),
      operators: names(database, 'by'),
    }),
    last: () =>
      database
        .prepare<[], { readonly number: number; readonly digest: string }>(
          'SELECT number, digest FROM seen',
        )
        .get() ?? { number: 0, digest: '' },
    others: (wish) => others(database, wish),
  };
}

function names(database: Database.Database, what: 'model' | 'by'): readonly string[] {
  return database
    .prepare<[string], string>('SELECT name FROM choice WHERE what = ? ORDER BY name')
    .pluck()
    .all(what);
}

type Row = Omit<FoundLine, 'simulated' | 'ended' | 'ending' | 'suspect' | 'superseded'> & {
  readonly simulated: number;
  readonly ended: string | null;
  readonly ending: number | null;
  readonly suspect: number | null;
  readonly superseded: number | null;
};

function find(database: Database.Database, wish: LineWish, from: number, count: number): Found {
  const given = conditionsOf(wish);
  if (given.length === 0) return newest(database, from, count);
  const where = given.map(([sql]) => sql).join(' AND ');
  // Numbers alone first: they are read off an index, and they are the total too. The plus sign keeps
  // SQLite from walking the whole table only because that is in order.
  const entries = database
    .prepare<unknown[], number>(`SELECT entry FROM line WHERE ${where} ORDER BY +entry DESC`)
    .pluck()
    .all(...given.flatMap(([, ...values]) => values));
  const one = database.prepare<[number], Row>('SELECT * FROM line WHERE entry = ?');
  const lines = entries.slice(from, from + count).flatMap((entry) => one.get(entry) ?? []);
  return { lines: lines.map(lineOf), total: entries.length };
}

function newest(database: Database.Database, from: number, count: number): Found {
  const total = database.prepare<[], number>('SELECT count(*) FROM line').pluck().get() ?? 0;
  const rows = database
    .prepare<unknown[], Row>('SELECT * FROM line ORDER BY entry DESC LIMIT ? OFFSET ?')
    .all(count, from);
  return { lines: rows.map(lineOf), total };
}

type Condition = readonly [sql: string, ...values: readonly string[]];

function conditionsOf(wish: LineWish): readonly Condition[] {
  const { text, model, verdict, operator, state } = wish;
  const wanted = text?.trim().toUpperCase() ?? '';
  return [
    ...(wanted === '' ? [] : [['instr(find, ?) > 0', wanted] as const]),
    ...within(wish),
    ...(model === undefined ? [] : [['model = ?', model] as const]),
    ...(verdict === undefined ? [] : [['word = ?', verdict] as const]),
    ...(operator === undefined ? [] : [['by = ?', operator] as const]),
    ...(state === undefined ? [] : [STATES[state]]),
  ];
}

function within({ from, to }: Pick<LineWish, 'from' | 'to'>): readonly Condition[] {
  return [
    ...(from === undefined ? [] : [['at >= ?', from.replace(/Z$/u, '')] as const]),
    // "2026-11-25" is before every instant of that day, and "2026-11-25~" after all of them.
    ...(to === undefined ? [] : [['at <= ?', `${to.replace(/Z$/u, '')}~`] as const]),
  ];
}

const STATES: Readonly<Record<LineState, Condition>> = {
  suspect: ['suspect IS NOT NULL'],
  superseded: ['superseded IS NOT NULL'],
  'broken off': ["word = 'broken off'"],
  refused: ["kind = 'refused'"],
  'not ended': ["kind = 'attempt' AND ending IS NULL"],
};

function lineOf(row: Row): FoundLine {
  const { entry, kind, serial, attempt, certificate, revision, at, by } = row;
  const { model, bench, simulated, word, outcome, reason } = row;
  const { ended, ending, suspect, superseded } = row;
  return {
    ...{ entry, kind, serial, attempt, certificate, revision, at, by, model, bench },
    ...{ simulated: simulated !== 0, word, outcome, reason },
    ...(ended === null ? {} : { ended }),
    ...(ending === null ? {} : { ending }),
    ...(suspect === null ? {} : { suspect }),
    ...(superseded === null ? {} : { superseded }),
  };
}

function others(database: Database.Database, wish: OtherWish): readonly number[] {
  const { kinds, serial } = wish;
  const given = [
    [`kind IN (${kinds.map(() => '?').join(', ')})`, ...kinds] as const,
    ...(serial === undefined || serial === ''
      ? []
      : [['instr(upper(serial), ?) > 0', serial.trim().toUpperCase()] as const]),
    ...within(wish),
  ];
  const where = given.map(([sql]) => sql).join(' AND ');
  return database
    .prepare<unknown[], number>(`SELECT entry FROM other WHERE ${where} ORDER BY +entry DESC`)
    .pluck()
    .all(...given.flatMap(([, ...values]) => values));
}
