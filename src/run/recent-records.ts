import { existsSync } from 'node:fs';
import { ledgerFile } from './places.js';
import { folderOf, readRecord, type FoundRecord, type UnreadRecord } from './traced-records.js';
import { withLedger } from './stored-record.js';

/** The last records of a folder, one an item. */
export interface RecentRecords {
  /** Newest first. */
  readonly records: readonly FoundRecord[];
  readonly unread: readonly UnreadRecord[];
}

/** Records that were read before, by the digest of the entry that issued them: they never change. */
export type KnownRecords = Map<string, FoundRecord>;

/** How many records may be kept in memory; some 20 kB each. */
const MOST_KNOWN = 1000;

/**
 * Reads the last record of each of the last items, newest first, by the order of the ledger. What
 * cannot be read is told.
 *
 * @param last - How many items, 1 … 1000.
 * @param isWanted - Which serials count.
 * @param known - Filled with what was read, so that it is read once.
 * @returns No record where there is no ledger yet.
 * @throws ledger/*.
 */
export function recentRecords(
  root: string,
  last: number,
  isWanted: (serial: string) => boolean,
  known: KnownRecords = new Map(),
): RecentRecords {
  const records: FoundRecord[] = [];
  const unread: UnreadRecord[] = [];
  const seen = new Set<string>();
  if (!existsSync(ledgerFile(root))) return { records, unread };
  withLedger(root, (ledger) => {
    for (const entry of ledger.newestFirst()) {
      if (seen.size >= last) return;
      if (entry.kind !== 'record-issued' || seen.has(entry.serial)) continue;
      if (!isWanted(entry.serial)) continue;
      seen.add(entry.serial);
      const found = known.get(entry.digest) ?? readRecord(root, folderOf(entry), entry);
      if ('sentence' in found) unread.push(found);
      else {
        records.push(found);
        if (known.size < MOST_KNOWN) known.set(entry.digest, found);
      }
    }
  });
  return { records, unread };
}
