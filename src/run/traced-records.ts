import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join, relative, sep } from 'node:path';
import { sha256 } from '../base/canonical.js';
import { readInstant } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { findUnit, type Unit } from '../base/units.js';
import { numberIn, toleranceIn } from '../certificate/csv-result.js';
import {
  readCertificateCsv,
  recordText,
  type CertificateTable,
  type Row,
} from '../certificate/csv-table.js';
import { RECORD_FILES } from '../certificate/verify.js';
import type { Entry } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { DECISION_RULES } from '../procedure/limits.js';
import { QUANTITIES } from '../procedure/station.js';
import type { TraceableRecord, TracedInstrument, TracedRow } from '../readiness/trace.js';
import { ledgerFile } from './places.js';

/** A record that was read from its own table. */
export interface FoundRecord extends TraceableRecord {
  /** Seen from the folder of records. */
  readonly folder: string;
  /** Whether the ledger there issued these very bytes; records kept apart from their ledger are not. */
  readonly isInLedger: boolean;
}

/** A record that is there, or should be, and cannot be used. */
export interface UnreadRecord {
  readonly folder: string;
  readonly state: 'missing' | 'damaged';
  readonly sentence: string;
  /** As the ledger remembers it; absent where no ledger knows the record. */
  readonly issued?: {
    readonly number: string;
    readonly serial: string;
    /** ISO 8601 UTC. */
    readonly at: string;
    readonly verdict: string;
  };
}

/** Everything below a folder of records. */
export interface FoundRecords {
  readonly records: readonly FoundRecord[];
  readonly unread: readonly UnreadRecord[];
  /** Whether there is a ledger that says what should be there. */
  readonly hasLedger: boolean;
}

/**
 * Reads every record below a folder for a trace: those that the ledger there issued, and those that
 * lie there without it, e.g. an archive. None is skipped: what cannot be read is told.
 *
 * @throws storage/unreadable when there is no such folder; ledger/*.
 */
export function findRecords(root: string): FoundRecords {
  if (!existsSync(root)) {
    const what = `There is no folder "${root}".`;
    const fix = 'Name the folder of the records with --data.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
  }
  const hasLedger = existsSync(ledgerFile(root));
  const issued = hasLedger ? issuedRecords(root) : new Map<string, Entry>();
  const folders = [...new Set([...issued.keys(), ...foldersOnDisk(root)])].sort();
  const found = folders.map((folder) => readRecord(root, folder, issued.get(folder)));
  return {
    records: found.filter((one) => 'rows' in one),
    unread: found.filter((one) => 'sentence' in one),
    hasLedger,
  };
}

function issuedRecords(root: string): ReadonlyMap<string, Entry> {
  const ledger = openLedger(ledgerFile(root), { readOnly: true });
  try {
    const entries = [...ledger.entries()].filter(({ kind }) => kind === 'record-issued');
    return new Map(entries.map((entry) => [textIn(entry, 'folder'), entry]));
  } finally {
    ledger.close();
  }
}

/** Folder of the record that an entry issued, seen from the folder of records. */
export const folderOf = (entry: Entry): string => textIn(entry, 'folder');

const textIn = ({ body }: Entry, name: string): string => {
  const value = body[name];
  return typeof value === 'string' ? value : '';
};

/** Folders that hold a table, but for those of attempts that never became records. */
function foldersOnDisk(root: string): readonly string[] {
  return readdirSync(root, { recursive: true, withFileTypes: true })
    .filter((entry) => entry.isFile() && entry.name === RECORD_FILES.table)
    .map((entry) => relative(root, entry.parentPath).split(sep))
    .filter((path) => path[0] !== 'unissued' && !path.some((name) => name.startsWith('.attempt-')))
    .map((path) => path.join('/'));
}

/**
 * Reads the table of one record and holds it against the entry that issued it.
 *
 * @param folder - Seen from the folder of records.
 * @param entry - Undefined for a record that is kept apart from its ledger.
 */
export function readRecord(
  root: string,
  folder: string,
  entry: Entry | undefined,
): FoundRecord | UnreadRecord {
  const unread = (state: UnreadRecord['state'], sentence: string): UnreadRecord => ({
    folder,
    state,
    sentence,
    ...(entry === undefined ? {} : { issued: issuedAs(entry) }),
  });
  const file = join(root, folder, RECORD_FILES.table);
  if (!existsSync(file)) return unread('missing', `${RECORD_FILES.table} is not there.`);
  const bytes = readFileSync(file);
  if (entry !== undefined && !isIssued(entry, bytes)) {
    const sentence = `${RECORD_FILES.table} is not the file that entry ${String(entry.number)} issued.`;
    return unread('damaged', sentence);
  }
  const table = readCertificateCsv(bytes);
  if ('damage' in table) return unread('damaged', table.sentence);
  const record = recordIn(table);
  if ('sentence' in record) return unread('damaged', record.sentence);
  return { ...record, folder, isInLedger: entry !== undefined };
}

function issuedAs(entry: Entry): NonNullable<UnreadRecord['issued']> {
  const { serial, at } = entry;
  return { number: textIn(entry, 'certificate'), serial, at, verdict: textIn(entry, 'verdict') };
}

function isIssued({ body }: Entry, bytes: Uint8Array): boolean {
  const files = body['files'];
  const isListing = typeof files === 'object' && files !== null && !Array.isArray(files);
  return isListing && Object.entries(files).some(isTable(sha256(bytes)));
}

const isTable =
  (digest: string) =>
  ([name, listed]: readonly [string, unknown]): boolean =>
    name === RECORD_FILES.table && listed === digest;

/** What keeps a table from being traced. */
interface Untraceable {
  readonly sentence: string;
}

function recordIn(table: CertificateTable): TraceableRecord | Untraceable {
  const { rows } = table;
  const results: TracedRow[] = [];
  for (const row of rows.filter(({ section }) => section === 'result')) {
    const result = rowIn(row);
    if ('sentence' in result) return result;
    results.push(result);
  }
  const started = readInstant(recordText(table, 'started'));
  if (!Number.isFinite(started)) return { sentence: 'The table does not say when it started.' };
  const { number, revision, serial, attempt, ended, verdict } = table;
  return {
    ...{ number, revision, serial, attempt, started, ended, verdict },
    torqueConstant:
      recordText(table, 'torque constant origin') === 'measured' ? 'measured' : 'nominal',
    equipment: equipmentIn(rows),
    rows: results,
    gates: rows.filter(({ section }) => section === 'gate').map(gateIn),
  };
}

const BLAMES = ['item', 'stand', 'link', 'operator'] as const;

function gateIn({ verdict, blames }: Row): TraceableRecord['gates'][number] {
  // Whoever cannot be named is not the item: only that would turn HOLD into REJECT.
  const blamed = BLAMES.find((one) => one === blames) ?? 'stand';
  return { holds: verdict === 'holds', blames: blamed };
}

function equipmentIn(rows: readonly Row[]): readonly TracedInstrument[] {
  const parts = new Map<string, Map<string, string>>();
  for (const { section, part = '', item = '', text = '' } of rows) {
    if (section !== 'equipment') continue;
    parts.set(part, (parts.get(part) ?? new Map<string, string>()).set(item, text));
  }
  return [...parts.values()].map((items) => {
    const quantity = QUANTITIES.find((one) => one === items.get('quantity'));
    return {
      id: items.get('id') ?? '',
      certificate: items.get('calibration certificate') ?? '',
      calibrated: items.get('calibrated') ?? '',
      due: items.get('due') ?? '',
      ...(quantity === undefined ? {} : { quantity }),
    };
  });
}

const SIDES = ['motor', 'shaft', 'electrical', 'thermal', 'acoustic', 'link'] as const;

function rowIn(row: Row): TracedRow | Untraceable {
  const { stage = '', characteristic = '', label = '' } = row;
  const unit = findUnit(row.unit ?? '');
  const side = SIDES.find((one) => one === row.side);
  const rule = DECISION_RULES.find((one) => one === row.rule);
  const tolerance = unit === undefined ? undefined : toleranceIn(row, unit);
  if (unit === undefined || side === undefined || rule === undefined || tolerance === undefined) {
    const sentence = `Result ${stage}.${characteristic} has a unit, side, rule or limit that is not known here.`;
    return { sentence };
  }
  const isBound = row.sense === '>=';
  return {
    ...{ stage, characteristic, label, side, unit, tolerance, rule, isBound },
    ...foundIn(row, unit),
  };
}

function foundIn(
  row: Row,
  unit: Unit,
): Pick<TracedRow, 'value' | 'expanded' | 'verdict' | 'invalid'> {
  const value = numberIn(row.value, unit);
  const expanded = numberIn(row.U, unit);
  const invalid = row.validity === 'not run' ? 'not-run' : 'invalid';
  return {
    verdict: row.verdict ?? '',
    ...(value === undefined ? {} : { value }),
    ...(expanded === undefined ? {} : { expanded }),
    ...(row.validity === 'valid' ? {} : { invalid }),
  };
}
