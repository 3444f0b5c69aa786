import { readdir } from 'node:fs/promises';
import { relative, sep } from 'node:path';
import type { Anchor } from '../ledger/audit.js';
import type { Entry } from '../ledger/ledger.js';
import type { CertificateTable } from './csv-table.js';
import { RECORD_FILES, verifyRecord, type Against } from './verify.js';
import type { Check } from './verify-seal.js';

/** One record in the table of a folder. */
export interface RecordRow {
  /** Relative to the folder that was verified. */
  readonly folder: string;
  /** Undefined when the table of the record cannot be read. */
  readonly identity:
    | {
        readonly number: string;
        readonly revision: number;
        readonly serial: string;
        readonly verdict: string;
        readonly simulated: boolean;
        /** What the record remembers of the ledger. */
        readonly anchor: CertificateTable['anchor'];
      }
    | undefined;
  /** A superseded record is intact, and a later revision of it is among the others. */
  readonly state: 'intact' | 'damaged' | 'superseded';
  readonly checks: readonly Check[];
}

/** A number of a record that is nowhere in the folder. */
export interface MissingNumber {
  readonly number: string;
  /** Whether the ledger gives a reason why there is no record of this number. */
  readonly explained: boolean;
  readonly sentence: string;
}

export interface FolderReport {
  readonly records: readonly RecordRow[];
  readonly missing: readonly MissingNumber[];
  /** One sentence for each number and revision that occurs more than once. */
  readonly duplicates: readonly string[];
  /** Every record intact, every number there or explained, none twice. */
  readonly intact: boolean;
}

/**
 * Verifies every record below a folder, and looks for numbers that are missing or there twice.
 *
 * A gap is a number between the least and the greatest with the same beginning, e.g. TW1-2026-. With
 * the ledger, records it issued are expected too, and attempts that were broken off are told.
 */
export async function verifyFolder(
  path: string,
  against: Against,
  progress: FolderProgress = NO_PROGRESS,
): Promise<FolderReport> {
  const found: RecordRow[] = [];
  const entries = against.ledgerEntries ?? [];
  const byNumber = entriesByNumber(entries);
  const entriesOf = (number: string): readonly Entry[] => byNumber.get(number) ?? [];
  const told = against.ledgerEntries === undefined ? against : { ...against, entriesOf };
  const folders = await recordFolders(path);
  for (const [done, folder] of folders.entries()) {
    await progress(done, folders.length);
    const { table, checks, intact } = await verifyRecord(folder, told);
    const state = intact ? 'intact' : 'damaged';
    const identity = table && {
      number: table.number,
      revision: table.revision,
      serial: table.serial,
      verdict: table.verdict,
      simulated: table.simulated,
      anchor: table.anchor,
    };
    found.push({ folder: relative(path, folder), identity, state, checks });
  }
  const records = markSuperseded(found);
  const missing = missingNumbers(records, byNumber);
  const duplicates = duplicateNumbers(records);
  const intact =
    records.every(({ state }) => state !== 'damaged') &&
    missing.every(({ explained }) => explained) &&
    duplicates.length === 0;
  return { records, missing, duplicates, intact };
}

/** Told before each record; what it returns is waited for, so that others get their turn. */
export type FolderProgress = (done: number, of: number) => Promise<void> | void;

const NO_PROGRESS: FolderProgress = () => undefined;

type ByNumber = ReadonlyMap<string, readonly Entry[]>;

function entriesByNumber(entries: readonly Entry[]): ByNumber {
  const found = new Map<string, Entry[]>();
  for (const entry of entries) {
    const number = numberIn(entry);
    if (number === '') continue;
    const before = found.get(number);
    if (before === undefined) found.set(number, [entry]);
    else before.push(entry);
  }
  return found;
}

/** Words for one number and for several. */
const numbers = (does: string): readonly [one: string, several: string] => [
  `number ${does}`,
  `numbers ${does.replace(/^has /u, 'have ').replace(/^is /u, 'are ')}`,
];

/** Says in one sentence what was found in a folder. */
export function folderSentence({ records, missing, duplicates, intact }: FolderReport): string {
  const count = (state: RecordRow['state']): number =>
    records.filter((record) => record.state === state).length;
  const unexplained = missing.filter(({ explained }) => !explained).length;
  const parts: readonly (readonly [count: number, one: string, several: string])[] = [
    [count('intact'), 'is intact', 'are intact'],
    [count('superseded'), 'is superseded', 'are superseded'],
    [count('damaged'), 'is damaged', 'are damaged'],
    [missing.length - unexplained, ...numbers('has no record, which the ledger explains')],
    [unexplained, ...numbers('is missing without explanation')],
    [duplicates.length, ...numbers('is there more than once')],
  ];
  const found = parts
    .filter(([n]) => n > 0)
    .map(([n, one, several]) => `${n} ${n === 1 ? one : several}`);
  const all = `${records.length} ${records.length === 1 ? 'record' : 'records'}`;
  const end = intact ? 'Nothing is damaged or unexplained.' : 'Do not rely on it as it is.';
  return `${all}: ${found.length === 0 ? 'none' : found.join(', ')}. ${end}`;
}

/** Leftovers of attempts that never became records. */
const UNISSUED = 'unissued';

/** Folders that hold any file of a record, in the order of their names. */
async function recordFolders(path: string): Promise<readonly string[]> {
  const names: readonly string[] = Object.values(RECORD_FILES);
  const entries = await readdir(path, { withFileTypes: true, recursive: true });
  const holding = entries.filter((entry) => entry.isFile() && names.includes(entry.name));
  const folders = holding.map((entry) => entry.parentPath);
  const issued = folders.filter((folder) => relative(path, folder).split(sep)[0] !== UNISSUED);
  return [...new Set(issued)].sort();
}

function markSuperseded(records: readonly RecordRow[]): readonly RecordRow[] {
  const latest = new Map<string, number>();
  for (const { identity } of records) {
    if (identity === undefined) continue;
    latest.set(identity.number, Math.max(identity.revision, latest.get(identity.number) ?? 0));
  }
  return records.map((record) => {
    const { identity, state } = record;
    const later = identity !== undefined && (latest.get(identity.number) ?? 0) > identity.revision;
    return later && state === 'intact' ? { ...record, state: 'superseded' } : record;
  });
}

function duplicateNumbers(records: readonly RecordRow[]): readonly string[] {
  const places = new Map<string, string[]>();
  for (const { identity, folder } of records) {
    if (identity === undefined) continue;
    const name = `${identity.number} rev ${String(identity.revision)}`;
    places.set(name, [...(places.get(name) ?? []), folder === '' ? '.' : folder]);
  }
  return [...places]
    .filter(([, folders]) => folders.length > 1)
    .map(([name, folders]) => `${name} is there more than once: ${folders.join(', ')}.`);
}

/** Entries that end an attempt: their numbers are told, also when no record with a greater one is there. */
const ENDS = { 'record-issued': true, 'attempt-aborted': true };

function missingNumbers(
  records: readonly RecordRow[],
  entries: ByNumber,
): readonly MissingNumber[] {
  const there = new Set(records.flatMap(({ identity }) => identity?.number ?? []));
  const ended = [...entries]
    .filter(([, about]) => about.some(({ kind }) => kind in ENDS))
    .map(([number]) => number);
  const wanted = new Set([...gapsIn(there), ...ended]);
  return [...wanted]
    .filter((number) => !there.has(number))
    .sort()
    .map((number) => explain(number, entries.get(number) ?? []));
}

const numberIn = ({ body }: Entry): string =>
  typeof body['certificate'] === 'string' ? body['certificate'] : '';

/** Numbers between the least and the greatest of those with the same beginning and length. */
function gapsIn(numbers: ReadonlySet<string>): readonly string[] {
  const counters = new Map<string, number[]>();
  for (const number of numbers) {
    const [, beginning = '', digits = ''] = /^(.*?)(\d+)$/u.exec(number) ?? [];
    if (digits === '') continue;
    const key = `${beginning}#${String(digits.length)}`;
    counters.set(key, [...(counters.get(key) ?? []), Number(digits)]);
  }
  return [...counters].flatMap(([key, found]) => {
    const [beginning = '', length = '0'] = key.split('#');
    const sorted = found.sort((a, b) => a - b);
    return sorted.slice(1).flatMap((to, i) => {
      const from = (sorted[i] ?? to) + 1;
      return Array.from(
        { length: Math.max(0, to - from) },
        (_, n) => `${beginning}${String(from + n).padStart(Number(length), '0')}`,
      );
    });
  });
}

function explain(number: string, about: readonly Entry[]): MissingNumber {
  const aborted = about.find(({ kind }) => kind === 'attempt-aborted');
  if (about.some(({ kind }) => kind === 'record-issued')) {
    const sentence = `${number} was issued, but its record is not here.`;
    return { number, explained: false, sentence };
  }
  if (aborted !== undefined) {
    const sentence = `${number} has no record: the attempt was broken off (entry ${String(aborted.number)}).`;
    return { number, explained: true, sentence };
  }
  return { number, explained: false, sentence: `${number} is missing, and nothing explains why.` };
}

/** What an intact certificate remembers of the ledger. */
export function anchorOf({ identity, state }: RecordRow): readonly Anchor[] {
  if (identity === undefined || state === 'damaged') return [];
  return [{ ...identity.anchor, from: identity.number }];
}
