import { existsSync, readFileSync, statSync } from 'node:fs';
import { basename, dirname, resolve } from 'node:path';
import { EXIT } from '../base/codes.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { rootCertificateFile } from '../certificate/keys.js';
import { PURPOSES } from '../certificate/seal-certificate.js';
import { anchorOf, verifyFolder, type FolderReport } from '../certificate/verify-folder.js';
import { auditFile, type Audit } from '../ledger/audit.js';
import type { Entry } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { retiredAt } from '../people/change.js';
import { defaultKeys, ledgerFile } from '../run/places.js';
import type { Terminal } from './terminal.js';

export interface VerifyOptions {
  readonly root: readonly string[];
  readonly keys?: string;
  readonly json?: true;
}

/** What was found at one path. */
interface Verified {
  readonly path: string;
  readonly report: FolderReport;
  readonly ledger: string | undefined;
  readonly audit: Audit | undefined;
}

/**
 * Verifies records, folders of records and ledgers with nothing but the files and a root certificate.
 *
 * @returns 0 when nothing is broken, 1 otherwise.
 * @throws storage/unreadable when a path or root certificate is not there.
 */
export async function verify(
  paths: readonly string[],
  options: VerifyOptions,
  to: Terminal,
): Promise<number> {
  const trust = { roots: rootsOf(options), now: systemClock.now() };
  const found: Verified[] = [];
  for (const path of paths) found.push(await verifyPath(path, trust));
  if (options.json === true) to.out(JSON.stringify(found, null, 2));
  else for (const one of found) print(one, to);
  const sound = found.every((f) => f.report.intact && (f.audit?.findings.length ?? 0) === 0);
  return sound ? EXIT.conforming : EXIT.nonconforming;
}

async function verifyPath(
  given: string,
  trust: { readonly roots: readonly Uint8Array[]; readonly now: number },
): Promise<Verified> {
  if (!existsSync(given)) throw unreadable(`There is no "${given}".`, 'Name a folder of records.');
  const path = statSync(given).isDirectory() ? given : dirname(given);
  const ledger = ledgerAbove(resolve(path));
  const isWhole = ledger !== undefined && dirname(ledger) === resolve(path);
  const entries = ledger === undefined ? undefined : entriesOf(ledger);
  // Gaps are told for a whole store only: one record on a table has all its neighbours missing.
  const told =
    entries === undefined
      ? {}
      : {
          ledgerEntries: entries,
          retiredAt: (id: string) => retiredAt(entries, id),
        };
  const report = await verifyFolder(path, { ...trust, ...told });
  if (report.records.length === 0 && !isWhole) {
    throw unreadable(
      `"${given}" holds no record and no ledger.`,
      'Name a folder with a certificate in it.',
    );
  }
  const audit =
    ledger === undefined ? undefined : auditFile(ledger, report.records.flatMap(anchorOf));
  return { path, report: isWhole ? report : withoutGaps(report), ledger, audit };
}

function withoutGaps(report: FolderReport): FolderReport {
  const intact =
    report.records.every((r) => r.state !== 'damaged') && report.duplicates.length === 0;
  return { ...report, missing: [], intact };
}

/** The root certificates that are named, or those beside the keys. @throws storage/unreadable. */
export function rootsOf(options: Pick<VerifyOptions, 'root' | 'keys'>): readonly Uint8Array[] {
  const keys = options.keys ?? defaultKeys();
  const beside = PURPOSES.map((p) => rootCertificateFile(keys, p)).filter((f) => existsSync(f));
  const files = options.root.length > 0 ? options.root : beside;
  if (files.length === 0) {
    const what = `There is no root certificate in "${keys}".`;
    throw unreadable(what, 'Name the root certificate you were given with --root.');
  }
  return files.map((file) => {
    if (existsSync(file)) return readFileSync(file);
    throw unreadable(`There is no root certificate "${file}".`, 'Check the name.');
  });
}

/** A record lies three folders below its ledger. */
function ledgerAbove(path: string): string | undefined {
  const above = [path, dirname(path), dirname(dirname(path)), dirname(dirname(dirname(path)))];
  return above.map(ledgerFile).find((file) => existsSync(file));
}

function entriesOf(file: string): readonly Entry[] {
  const ledger = openLedger(file, { readOnly: true });
  try {
    return [...ledger.entries()];
  } catch (error) {
    if (error instanceof StallmarkError) return []; // the audit tells what is wrong with it
    throw error;
  } finally {
    ledger.close();
  }
}

const MARKS = { holds: '✓', broken: '✗', open: '–' } as const;

function print({ path, report, ledger, audit }: Verified, to: Terminal): void {
  for (const { folder, identity, state, checks } of report.records) {
    const printed = identity?.verdict ?? 'unreadable';
    const told =
      state === 'damaged' ? `printed: ${printed} — NOT CONFIRMED` : `${printed}, ${state}`;
    to.out(
      `\n${folder === '' ? basename(resolve(path)) : folder}  ${identity?.number ?? ''}  ${told}`,
    );
    for (const c of checks) to.out(`  ${MARKS[c.outcome]} ${c.name.padEnd(20)} ${c.sentence}`);
  }
  for (const { sentence, explained } of report.missing)
    to.out(`${explained ? '–' : '✗'} ${sentence}`);
  for (const sentence of report.duplicates) to.out(`✗ ${sentence}`);
  if (audit !== undefined) printAudit(ledger ?? '', audit, to);
  const damaged = report.records.filter((r) => r.state === 'damaged').length;
  to.out(
    `\n${String(report.records.length - damaged)} of ${String(report.records.length)} records hold.`,
  );
}

function printAudit(file: string, audit: Audit, to: Terminal): void {
  to.out(`\n${file}`);
  for (const { what } of audit.findings) to.out(`  ✗ ${what}`);
  const clean = audit.findings.length === 0;
  to.out(
    `  ${clean ? '✓' : '✗'} ${'ledger audit'.padEnd(20)} ${String(audit.entries)} entries, ${clean ? 'clean' : 'not clean'}.`,
  );
}

function unreadable(what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
}
