import { existsSync, readFileSync, readdirSync, statSync } from 'node:fs';
import { basename, dirname, join, resolve } from 'node:path';
import { EXIT } from '../base/codes.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { rootCertificateFile } from '../certificate/keys.js';
import { PURPOSES } from '../certificate/seal-certificate.js';
import { RECORD_FILES, verifyRecord, type RecordReport } from '../certificate/verify.js';
import { auditFile, type Anchor, type Audit } from '../ledger/audit.js';
import type { Entry } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { defaultKeys, ledgerFile } from '../run/assemble.js';
import type { Terminal } from './terminal.js';

export interface VerifyOptions {
  readonly root: readonly string[];
  readonly keys?: string;
  readonly json?: true;
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
  const roots = rootsOf(options);
  const now = systemClock.now();
  const reports: RecordReport[] = [];
  const audits: { readonly file: string; readonly audit: Audit }[] = [];
  for (const path of paths) {
    const { records, ledger } = placesBelow(path);
    const entries = ledger === undefined ? undefined : entriesOf(ledger);
    const against = { roots, now, ...(entries === undefined ? {} : { ledgerEntries: entries }) };
    const here: RecordReport[] = [];
    for (const folder of records) here.push(await verifyRecord(folder, against));
    reports.push(...here);
    if (ledger !== undefined)
      audits.push({ file: ledger, audit: auditFile(ledger, here.flatMap(anchorOf)) });
  }
  if (options.json === true)
    to.out(JSON.stringify({ records: reports.map(plain), audits }, null, 2));
  else print(reports, audits, to);
  const sound =
    reports.every((r) => r.intact) && audits.every((a) => a.audit.findings.length === 0);
  return sound ? EXIT.conforming : EXIT.nonconforming;
}

function rootsOf(options: VerifyOptions): readonly Uint8Array[] {
  const keys = options.keys ?? defaultKeys();
  const beside = PURPOSES.map((p) => rootCertificateFile(keys, p)).filter((f) => existsSync(f));
  const files = options.root.length > 0 ? options.root : beside;
  if (files.length === 0) {
    throw unreadable(
      `There is no root certificate in "${keys}".`,
      'Name the root certificate you were given with --root.',
    );
  }
  return files.map((file) => {
    if (!existsSync(file))
      throw unreadable(`There is no root certificate "${file}".`, 'Check the name.');
    return readFileSync(file);
  });
}

interface Places {
  readonly records: readonly string[];
  /** The ledger the records belong to, when it lies with them. */
  readonly ledger: string | undefined;
}

/** Finds records below a path, and the ledger at or above it. */
function placesBelow(path: string): Places {
  if (!existsSync(path)) throw unreadable(`There is no "${path}".`, 'Name a folder of records.');
  if (!statSync(path).isDirectory()) {
    if (basename(path) === 'ledger.db') return { records: [], ledger: path };
    return placesBelow(dirname(path));
  }
  const folders = [
    path,
    ...readdirSync(path, { recursive: true, encoding: 'utf8' }).map((n) => join(path, n)),
  ];
  const records = folders.filter((f) => isRecord(f) && !f.includes('unissued')).sort();
  if (records.length === 0 && !existsSync(ledgerFile(path))) {
    throw unreadable(
      `"${path}" holds no record and no ledger.`,
      'Name a folder with a certificate in it.',
    );
  }
  return { records, ledger: ledgerAbove(resolve(path)) };
}

const isRecord = (folder: string): boolean =>
  statSync(folder).isDirectory() &&
  [RECORD_FILES.table, RECORD_FILES.page].some((name) => existsSync(join(folder, name)));

/** A record lies three folders below its ledger. */
function ledgerAbove(path: string): string | undefined {
  const above = [path, dirname(path), dirname(dirname(path)), dirname(dirname(dirname(path)))];
  return above.map(ledgerFile).find((file) => existsSync(file));
}

function entriesOf(file: string): readonly Entry[] {
  const ledger = openLedger(file, { readOnly: true });
  try {
    return [...ledger.entries()];
  } finally {
    ledger.close();
  }
}

/** What an intact certificate remembers of the ledger. */
function anchorOf({ table, intact }: RecordReport): readonly Anchor[] {
  return table === undefined || !intact ? [] : [{ ...table.anchor, from: table.number }];
}

const MARKS = { holds: '✓', broken: '✗', open: '–' } as const;

function print(
  reports: readonly RecordReport[],
  audits: readonly { readonly file: string; readonly audit: Audit }[],
  to: Terminal,
): void {
  for (const { folder, checks, table, intact } of reports) {
    const told = intact
      ? `${table?.verdict ?? ''}`
      : `printed: ${table?.verdict ?? 'unreadable'} — NOT CONFIRMED`;
    to.out(`\n${folder}  ${table?.number ?? ''}  ${told}`);
    for (const c of checks) to.out(`  ${MARKS[c.outcome]} ${c.name.padEnd(20)} ${c.sentence}`);
  }
  for (const { file, audit } of audits) {
    to.out(`\n${file}`);
    for (const { what } of audit.findings) to.out(`  ✗ ${what}`);
    const clean = audit.findings.length === 0;
    to.out(
      `  ${clean ? '✓' : '✗'} ledger audit         ${String(audit.entries)} entries, ${clean ? 'clean' : 'not clean'}`,
    );
  }
  const broken = reports.filter((r) => !r.intact).length;
  to.out(`\n${String(reports.length - broken)} of ${String(reports.length)} records hold.`);
}

function plain({ folder, table, checks, intact }: RecordReport): object {
  return {
    folder,
    number: table?.number,
    serial: table?.serial,
    verdict: table?.verdict,
    intact,
    checks,
  };
}

function unreadable(what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
}
