import { readdir, readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { sha256, type Json } from '../base/canonical.js';
import type { Entry } from '../ledger/ledger.js';
import { SIMULATED_MARK } from './certificate.js';
import {
  readCertificateCsv,
  recordText,
  type CertificateTable,
  type TableDamage,
} from './csv-table.js';
import { readContents, readSignature, type PdfContents, type PdfFinding } from './pdf-signature.js';
import { decisionCheck } from './verify-decisions.js';
import { checkSeal, type Check, type SealReport, type Trust } from './verify-seal.js';
import { isSignatureFile, signatureChecks } from './verify-signature.js';

/** Names of the files of one record. */
export const RECORD_FILES = {
  capture: 'capture.parquet',
  table: 'certificate.csv',
  seal: 'certificate.csv.p7s',
  page: 'certificate.pdf',
  log: 'log.jsonl',
} as const;
/**
 * Files that a certificate may be handed on without. Where the ledger is at hand it lists them, and
 * then one that is missing is damage.
 */
const APART: readonly string[] = [RECORD_FILES.capture, RECORD_FILES.log];
/** Beside them, for `sha256sum -c`; not needed. */
export const SUMS_FILE = 'SHA256SUMS';

/** Writes what `sha256sum -c` reads, files in alphabetical order, each with its SHA-256. */
export function sumsText(digests: Readonly<Record<string, string>>): string {
  const names = Object.keys(digests).sort();
  return names.map((name) => `${digests[name] ?? ''}  ${name}\n`).join('');
}

/** What the records are held against. */
export interface Against extends Trust {
  /** All entries of the ledger, when it is at hand; at least those that name the record's number. */
  readonly ledgerEntries?: readonly Entry[];
  /** Those of them that name a number: what many records are held against is not searched anew for each. */
  readonly entriesOf?: (certificate: string) => readonly Entry[];
  /** When a person was retired, ms since the Unix epoch, as far as the ledger tells. */
  readonly retiredAt?: (id: string) => number | undefined;
}

/** Everything found about one record. */
export interface RecordReport {
  readonly folder: string;
  /** What the table says of itself; undefined when it cannot be read. */
  readonly table: CertificateTable | undefined;
  readonly checks: readonly Check[];
  /** No check is broken. */
  readonly intact: boolean;
}

type Files = ReadonlyMap<string, Uint8Array>;

const check = (
  name: string,
  outcome: Check['outcome'],
  finding: string,
  sentence: string,
): Check => ({ name, outcome, finding, sentence });

/**
 * Verifies one record: its files, both seals, the page against the table, the capture, and the
 * ledger when its entries are given. Needs no network and nothing but the files and the roots.
 *
 * @param folder - Folder of one attempt.
 * @returns Every check that was made, in the order a reader wants them.
 * @throws Error of the file system when the folder itself cannot be read.
 *
 * Check: tests/unit/verify.test.ts; tests/e2e/outside-seal.test.ts holds it against openssl and pdfsig.
 */
export async function verifyRecord(folder: string, against: Against): Promise<RecordReport> {
  const { files, added } = await filesIn(folder);
  const bytes = files.get(RECORD_FILES.table);
  const read = bytes === undefined ? undefined : readCertificateCsv(bytes);
  const table = read === undefined || 'damage' in read ? undefined : read;
  const entries =
    table === undefined || against.entriesOf === undefined
      ? against.ledgerEntries
      : against.entriesOf(table.number);
  const tableSeal = await tableSealReport(files, table, against);
  const page = await pageReport(files, table, against);
  const checks = [
    ...filesChecks(files),
    ...(read === undefined ? [] : [tableCheck(read)]),
    ...(table === undefined ? [] : [decisionCheck(table)]),
    ...tableSeal.checks,
    ...page.checks,
    ...sameSignerCheck(tableSeal, page),
    ...captureCheck(files, table),
    ...sumsCheck(files),
    ...ledgerChecks(files, table, entries),
    ...(await signatureChecks(added, {
      trust: against,
      files,
      table,
      entries,
      retiredAt: against.retiredAt ?? (() => undefined),
    })),
  ];
  return { folder, table, checks, intact: checks.every(({ outcome }) => outcome !== 'broken') };
}

/** Sealed files, and signatures that were added beside them later. */
async function filesIn(folder: string): Promise<{ readonly files: Files; readonly added: Files }> {
  const entries = await readdir(folder, { withFileTypes: true });
  const names = entries.filter((entry) => entry.isFile()).map(({ name }) => name);
  const read = async (name: string): Promise<readonly [string, Uint8Array]> => [
    name,
    await readFile(join(folder, name)),
  ];
  const all = await Promise.all(names.map(read));
  return {
    files: new Map(all.filter(([name]) => !isSignatureFile(name))),
    added: new Map(all.filter(([name]) => isSignatureFile(name))),
  };
}

function filesChecks(files: Files): readonly Check[] {
  const known: readonly string[] = Object.values(RECORD_FILES);
  const missing = known
    .filter((name) => !files.has(name))
    .map((name) =>
      APART.includes(name)
        ? check(
            'files',
            'open',
            'files/left-out',
            `${name} is not here: nothing can be said of it.`,
          )
        : check('files', 'broken', 'files/missing', `${name} is missing.`),
    );
  const extra = [...files.keys()]
    .filter((name) => !known.includes(name) && name !== SUMS_FILE)
    .map((name) =>
      check('files', 'broken', 'files/extra', `${name} does not belong to the record.`),
    );
  if (missing.length + extra.length > 0) return [...missing, ...extra];
  return [check('files', 'holds', 'files', 'All files of the record are there, and no others.')];
}

function tableCheck(read: CertificateTable | TableDamage): Check {
  if ('damage' in read) return check('table', 'broken', `table/${read.damage}`, read.sentence);
  const results = read.rows.filter(({ section }) => section === 'result').length;
  const sentence = `${read.number} rev ${String(read.revision)}: ${read.serial}, ${read.verdict}, ${String(results)} results.`;
  return check('table', 'holds', 'table', sentence);
}

const NO_SEAL: SealReport = { checks: [], signer: undefined };

async function tableSealReport(
  files: Files,
  table: CertificateTable | undefined,
  trust: Trust,
): Promise<SealReport> {
  const bytes = files.get(RECORD_FILES.table);
  const der = files.get(RECORD_FILES.seal);
  if (bytes === undefined) return NO_SEAL;
  if (der !== undefined) {
    return checkSeal({ kind: 'table', parts: [bytes], der, at: undefined, table }, trust);
  }
  const sentence = `The table has no seal: ${RECORD_FILES.seal} is missing.`;
  return {
    checks: [check('table: seal', 'broken', 'table/seal-missing', sentence)],
    signer: undefined,
  };
}

async function pageReport(
  files: Files,
  table: CertificateTable | undefined,
  trust: Trust,
): Promise<SealReport> {
  const pdf = files.get(RECORD_FILES.page);
  if (pdf === undefined) return NO_SEAL;
  const signature = readSignature(pdf);
  if ('damage' in signature) return { checks: [pageDamage(signature)], signer: undefined };
  const whole = 'The seal of the page covers the whole file.';
  const coverage = check('page: coverage', 'holds', 'page/coverage', whole);
  const { covered: parts, der, at } = signature;
  const seal = await checkSeal({ kind: 'page', parts, der, at, table }, trust);
  const contents = contentChecks(readContents(pdf), files.get(RECORD_FILES.table), table);
  return { checks: [coverage, ...seal.checks, ...contents], signer: seal.signer };
}

const pageDamage = ({ damage, sentence }: PdfFinding): Check =>
  check('page: coverage', 'broken', `page/${damage}`, sentence);

function contentChecks(
  contents: PdfContents | PdfFinding,
  csv: Uint8Array | undefined,
  table: CertificateTable | undefined,
): readonly Check[] {
  if ('damage' in contents) {
    return [check('page: table inside', 'broken', `page/${contents.damage}`, contents.sentence)];
  }
  const inside = insideCheck(contents.attachments, csv);
  return table === undefined ? [inside] : [inside, titleCheck(contents.information, table)];
}

function insideCheck(attachments: readonly Uint8Array[], csv: Uint8Array | undefined): Check {
  const name = 'page: table inside';
  const [inside, ...others] = attachments;
  if (inside === undefined) {
    return check(name, 'broken', 'page/table-missing', 'The page carries no table inside it.');
  }
  if (others.length > 0) {
    const sentence = `The page carries ${String(attachments.length)} files inside it, not one.`;
    return check(name, 'broken', 'page/several-tables', sentence);
  }
  if (csv === undefined) {
    return check(name, 'open', 'page/table-open', 'There is no table beside the page to compare.');
  }
  if (Buffer.compare(inside, csv) !== 0) {
    const sentence = `The table inside the page is not the one beside it: ${sha256(inside).slice(0, 8)}…, ${sha256(csv).slice(0, 8)}….`;
    return check(name, 'broken', 'page/table-differs', sentence);
  }
  return check(name, 'holds', 'page/table', 'The table inside the page is the one beside it.');
}

/** Title and subject of the page repeat what the table says. */
function titleCheck(information: ReadonlyMap<string, string>, table: CertificateTable): Check {
  const name = 'page: title';
  const title = recordText(table, 'title');
  const mark = table.simulated ? `${SIMULATED_MARK}: ` : '';
  const expected = `${mark}${title} ${table.number} revision ${String(table.revision)}`;
  const found = information.get('Title') ?? '';
  if (found !== expected) {
    const sentence = `The page is titled "${found}", but the table is "${expected}".`;
    return check(name, 'broken', 'page/title-differs', sentence);
  }
  const subject = information.get('Subject') ?? '';
  if (!subject.startsWith(`Item ${table.serial},`)) {
    const sentence = `The page is about "${subject}", but the table about item ${table.serial}.`;
    return check(name, 'broken', 'page/serial-differs', sentence);
  }
  return check(name, 'holds', 'page/title', 'Number, kind and serial are the same in both.');
}

function sameSignerCheck(table: SealReport, page: SealReport): readonly Check[] {
  if (table.signer === undefined || page.signer === undefined) return [];
  if (table.signer === page.signer) return [];
  const sentence = 'Table and page were sealed with different keys.';
  return [check('page: signer', 'broken', 'page/other-signer', sentence)];
}

function captureCheck(files: Files, table: CertificateTable | undefined): readonly Check[] {
  const capture = files.get(RECORD_FILES.capture);
  if (capture === undefined || table === undefined) return [];
  const found = sha256(capture);
  if (found === table.captureDigest) {
    return [check('capture', 'holds', 'capture', 'The capture is the one the results came from.')];
  }
  const sentence = `The capture was changed: its digest is ${found.slice(0, 8)}…, the table says ${table.captureDigest.slice(0, 8)}…. It cannot be scored again.`;
  return [check('capture', 'broken', 'capture/changed', sentence)];
}

function sumsCheck(files: Files): readonly Check[] {
  const sums = files.get(SUMS_FILE);
  if (sums === undefined || APART.some((name) => !files.has(name))) return [];
  const others = [...files].filter(([name]) => name !== SUMS_FILE);
  const digests = others.map(([name, bytes]) => [name, sha256(bytes)] as const);
  if (Buffer.from(sums).toString('utf8') === sumsText(Object.fromEntries(digests))) {
    return [check('sums', 'holds', 'sums', `${SUMS_FILE} agrees with the files.`)];
  }
  const sentence = `${SUMS_FILE} does not agree with the files.`;
  return [check('sums', 'broken', 'sums/differ', sentence)];
}

function ledgerChecks(
  files: Files,
  table: CertificateTable | undefined,
  entries: readonly Entry[] | undefined,
): readonly Check[] {
  if (entries === undefined) {
    return [check('ledger', 'open', 'ledger/not-given', 'The ledger was not given.')];
  }
  if (table === undefined) return [];
  const entry = entries.find((e) => e.kind === 'record-issued' && isOf(e, table));
  if (entry === undefined) {
    const sentence = `The ledger has no entry that issued ${table.number} rev ${String(table.revision)}.`;
    return [check('ledger', 'broken', 'ledger/no-entry', sentence)];
  }
  const found = [...statementChecks(entry, table), ...digestChecks(entry, files)];
  if (found.length > 0) return found;
  const sentence = `Entry ${String(entry.number)} of the ledger issued these very files.`;
  return [check('ledger', 'holds', 'ledger', sentence)];
}

const isOf = ({ body }: Entry, table: CertificateTable): boolean =>
  body['certificate'] === table.number && body['revision'] === table.revision;

function statementChecks(entry: Entry, table: CertificateTable): readonly Check[] {
  const said: readonly (readonly [string, Json | undefined, Json])[] = [
    ['serial', entry.serial, table.serial],
    ['attempt', entry.attempt, table.attempt],
    ['verdict', entry.body['verdict'], table.verdict],
    ['simulated', entry.body['simulated'], table.simulated],
  ];
  return said
    .filter(([, ledger, record]) => ledger !== record)
    .map(([name, ledger, record]) =>
      check(
        'ledger',
        'broken',
        'ledger/says-otherwise',
        `Entry ${String(entry.number)} says ${name} ${told(ledger)}, the table ${told(record)}.`,
      ),
    );
}

const told = (value: Json | undefined): string =>
  typeof value === 'string' ? value : JSON.stringify(value ?? null);

function digestChecks(entry: Entry, files: Files): readonly Check[] {
  const listed = new Map(Object.entries(asObject(entry.body['files'])));
  const broken = (finding: string, sentence: string): Check =>
    check('ledger', 'broken', finding, sentence);
  const number = String(entry.number);
  const differing = [...listed].flatMap(([name, digest]) => {
    const bytes = files.get(name);
    if (bytes === undefined) {
      return [broken('ledger/file-missing', `${name} is missing; entry ${number} lists it.`)];
    }
    if (sha256(bytes) === digest) return [];
    return [broken('ledger/file-differs', `${name} is not the file entry ${number} issued.`)];
  });
  const unlisted = [...files.keys()]
    .filter((name) => !listed.has(name) && name !== SUMS_FILE)
    .map((name) =>
      broken('ledger/file-unlisted', `${name} is not among the files of entry ${number}.`),
    );
  return [...differing, ...unlisted];
}

function asObject(value: Json | undefined): { readonly [key: string]: Json } {
  const isObject = typeof value === 'object' && value !== null && !Array.isArray(value);
  return isObject ? (value as { readonly [key: string]: Json }) : {};
}
