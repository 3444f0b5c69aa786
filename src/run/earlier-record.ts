import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { sha256 } from '../base/canonical.js';
import type { Problem } from '../base/error.js';
import { readCertificateCsv, type CertificateTable } from '../certificate/csv-table.js';
import { RECORD_FILES, verifyRecord } from '../certificate/verify.js';
import type { Entry } from '../ledger/ledger.js';
import { textIn } from '../readiness/past-attempts.js';
import { lastRecord, recordEntry } from '../readiness/release.js';

/** What to do about a record from which nothing can be carried over. */
export const TEST_IN_FULL =
  'Have a quality engineer release it again without stages, so that it is tested in full.';

/** Where records lie and whose seals count. */
export interface Records {
  /** Folder of the records. */
  readonly root: string;
  /** Root certificates, PEM or DER. */
  readonly roots: readonly Uint8Array[];
  /** ms since the Unix epoch. */
  readonly now: number;
}

/** A sealed record of the same item, verified by its files, its seals and the ledger. */
export interface EarlierRecord {
  readonly number: string;
  /** The entry that issued it. */
  readonly entry: number;
  /** SHA-256 of its table. */
  readonly digest: string;
  readonly table: CertificateTable;
}

export type FoundRecord =
  | { readonly kind: 'found'; readonly record: EarlierRecord }
  | { readonly kind: 'refused'; readonly problems: readonly Problem[] };

/**
 * Finds a record of an item by its number and verifies it whole. Only the last one before the release
 * counts: nobody picks the one with the better values.
 *
 * @param number - As the release names it.
 * @param before - Entries of the serial up to the release, oldest first.
 */
export async function earlierRecord(
  number: string,
  before: readonly Entry[],
  records: Records,
): Promise<FoundRecord> {
  const entry = recordEntry(before, number);
  const last = lastRecord(before);
  if (entry === undefined) return refuse(`The ledger has no record "${number}" of this item.`);
  if (last !== undefined && last.number !== entry.number) {
    const newest = textIn(last.body, 'certificate');
    return refuse(
      `Record ${number} is not the last one of this item before its release: ${newest} is.`,
    );
  }
  const folder = join(records.root, textIn(entry.body, 'folder'));
  const file = join(folder, RECORD_FILES.table);
  if (!existsSync(file)) return refuse(`Record ${number} is not there: "${file}" is missing.`);
  const { roots, now } = records;
  const report = await verifyRecord(folder, { roots, now, ledgerEntries: [...before] });
  // What persons signed beside a record later is no part of it.
  const broken = report.checks.filter(
    ({ outcome, finding }) => outcome === 'broken' && !finding.startsWith('signature/'),
  );
  if (broken.length > 0) {
    return {
      kind: 'refused',
      problems: broken.map(({ name, sentence }) =>
        unreadable(`Record ${number} is damaged, ${name}: ${sentence}`),
      ),
    };
  }
  const bytes = readFileSync(file);
  const table = readCertificateCsv(bytes);
  if ('damage' in table) return refuse(`Record ${number} cannot be read: ${table.sentence}`);
  return { kind: 'found', record: { number, entry: entry.number, digest: sha256(bytes), table } };
}

const unreadable = (what: string): Problem => ({
  code: 'storage/unreadable',
  what,
  fix: TEST_IN_FULL,
});

const refuse = (what: string): FoundRecord => ({ kind: 'refused', problems: [unreadable(what)] });
