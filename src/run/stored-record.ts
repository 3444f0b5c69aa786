import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { StallmarkError } from '../base/error.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { readCertificateCsv, type CertificateTable } from '../certificate/csv-table.js';
import { RECORD_FILES } from '../certificate/verify.js';
import { ledgerFile } from './places.js';
import { folderOf, readRecord, type FoundRecord } from './traced-records.js';

/** A record as it lies in its folder, its table the one that the ledger issued. */
export interface StoredRecord {
  readonly record: FoundRecord;
  readonly table: CertificateTable;
  /** Whole path. */
  readonly folder: string;
}

/** Which record is wanted: by number, by serial, or by both, which is quickest. */
export interface Wanted {
  readonly number?: string;
  readonly serial?: string;
}

/**
 * Finds a record in the ledger of a folder and reads its table.
 *
 * @param wanted - A serial alone means its last record.
 * @throws usage/argument when the ledger has no such record; storage/unreadable when its table is
 * missing, damaged or not the one that was issued; ledger/*.
 */
export function storedRecord(root: string, wanted: Wanted): StoredRecord {
  const entry = withLedger(root, (ledger) => entryOf(ledger, wanted));
  if (entry === undefined) throw noSuchRecord(root, wanted);
  return storedIn(root, entry);
}

/** @throws storage/unreadable. */
export function storedIn(root: string, entry: Entry): StoredRecord {
  const record = readRecord(root, folderOf(entry), entry);
  if ('sentence' in record) throw unreadable(record.folder, record.sentence);
  const folder = join(root, record.folder);
  const table = readCertificateCsv(readFileSync(join(folder, RECORD_FILES.table)));
  if ('damage' in table) throw unreadable(record.folder, table.sentence);
  return { record, table, folder };
}

/** Opens the ledger of a folder to read, and closes it. @throws ledger/*, storage/unreadable. */
export function withLedger<T>(root: string, read: (ledger: Ledger) => T): T {
  if (!existsSync(ledgerFile(root))) {
    const what = `There is no ledger in "${root}".`;
    const fix = 'Name the folder of the records with --data, or test an item first.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
  }
  const ledger = openLedger(ledgerFile(root), { readOnly: true });
  try {
    return read(ledger);
  } finally {
    ledger.close();
  }
}

function entryOf(ledger: Ledger, { number, serial }: Wanted): Entry | undefined {
  const isWanted = (entry: Entry): boolean =>
    entry.kind === 'record-issued' &&
    (number === undefined || entry.body['certificate'] === number);
  if (serial !== undefined) return ledger.of(serial).filter(isWanted).at(-1);
  for (const entry of ledger.newestFirst()) if (isWanted(entry)) return entry;
  return undefined;
}

function noSuchRecord(root: string, { number, serial }: Wanted): StallmarkError {
  const named = [
    ...(number === undefined ? [] : [`record "${number}"`]),
    ...(serial === undefined ? [] : [`serial "${serial}"`]),
  ].join(' of ');
  const what = `The ledger in "${root}" has no ${named}.`;
  const fix = 'Write the number as it stands on the certificate, or the serial of its item.';
  return new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

function unreadable(folder: string, sentence: string): StallmarkError {
  const what = `The record in ${folder} cannot be used: ${sentence}`;
  const fix = 'Take its files from the backup of the records; stallmark verify tells more.';
  return new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
}
