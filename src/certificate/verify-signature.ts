import type { X509Certificate } from 'node:crypto';
import { sha256 } from '../base/canonical.js';
import { isoInstant } from '../base/clock.js';
import type { Entry } from '../ledger/ledger.js';
import type { CertificateTable } from './csv-table.js';
import { purposeOf, subjectPart, validity } from './seal-certificate.js';
import { signedIn, type SignedEntry } from './signed-entry.js';
import { hintOf, readStatement, statementSentence, type Statement } from './statement.js';
import { check, checkMark, type Check, type MarkedFile, type Trust } from './verify-seal.js';

const NAME = /^(signature-\d{2,})\.json(\.p7s)?$/u;

/** Whether a file is one that signing adds beside a sealed record. */
export const isSignatureFile = (name: string): boolean => NAME.test(name);

/** Names of the two files of the n-th signature, n from 1. */
export function signatureNames(n: number): { readonly statement: string; readonly cms: string } {
  const statement = `signature-${String(n).padStart(2, '0')}.json`;
  return { statement, cms: `${statement}.p7s` };
}

/** Greatest number of a signature among names; 0 when there is none. */
export function lastSignature(names: Iterable<string>): number {
  const numbers = [...names].map((name) => Number(/^signature-(\d{2,})\./u.exec(name)?.[1] ?? 0));
  return Math.max(0, ...numbers);
}

/** Files of the record a statement must name. */
export const SIGNED_FILES = ['certificate.csv', 'certificate.pdf'] as const;

/** What signatures beside a record are held against. */
export interface SignatureContext {
  readonly trust: Trust;
  /** Sealed files of the record by name. */
  readonly files: ReadonlyMap<string, Uint8Array>;
  readonly table: CertificateTable | undefined;
  /** All entries of the ledger, when it is at hand. */
  readonly entries: readonly Entry[] | undefined;
  /** When a person was retired, ms since the Unix epoch; undefined when nobody can tell or never. */
  readonly retiredAt: (id: string) => number | undefined;
}

/**
 * Checks every personal signature beside a record, and that none the ledger knows of is gone.
 *
 * @param added - Files that `isSignatureFile` accepts, by name.
 *
 * Check: tests/unit/verify-signature.test.ts; tests/e2e/outside-signature.test.ts against openssl.
 */
export async function signatureChecks(
  added: ReadonlyMap<string, Uint8Array>,
  context: SignatureContext,
): Promise<readonly Check[]> {
  const names = [...new Set([...added.keys()].map((file) => NAME.exec(file)?.[1] ?? ''))].sort();
  const checks: Check[] = [];
  for (const name of names) {
    const statement = added.get(`${name}.json`);
    const cms = added.get(`${name}.json.p7s`);
    checks.push(...(await pairChecks(name, statement, cms, context)));
  }
  return [...checks, ...removedChecks(added, context)];
}

/** @param finding - Name of the check and its code, e.g. "record/other-record". */
function broken(file: string, finding: string, sentence: string): Check {
  const [name = '', code = ''] = finding.split('/');
  return check({ kind: 'signature', name: file }, name, 'broken', code, sentence);
}

async function pairChecks(
  name: string,
  bytes: Uint8Array | undefined,
  der: Uint8Array | undefined,
  context: SignatureContext,
): Promise<readonly Check[]> {
  if (bytes === undefined) {
    return [
      broken(
        name,
        'files/statement-missing',
        `${name}.json is missing: nobody can tell what was signed.`,
      ),
    ];
  }
  if (der === undefined) {
    return [
      broken(
        name,
        'files/signature-missing',
        `${name}.json is not signed: ${name}.json.p7s is missing.`,
      ),
    ];
  }
  const read = readStatement(bytes);
  const statement = typeof read === 'string' ? undefined : read;
  const hint = statement === undefined ? undefined : hintOf(statement);
  const file: MarkedFile = {
    kind: 'signature',
    name,
    parts: [bytes],
    der,
    at: statement?.at,
    hint,
  };
  const mark = await checkMark(file, context.trust);
  if (typeof read === 'string') {
    const sentence = `${name}.json is no statement. ${read}`;
    return [...mark.checks, broken(name, 'statement/statement-unreadable', sentence)];
  }
  const signing = { name, statement: read, signer: mark.signer, at: mark.at };
  return [
    ...mark.checks,
    ...signerChecks(signing, context),
    recordCheck(signing, context),
    ...enteredChecks(signing, { statement: sha256(bytes), signature: sha256(der) }, context),
  ];
}

interface Signing {
  readonly name: string;
  readonly statement: Statement;
  readonly signer: X509Certificate | undefined;
  readonly at: number | undefined;
}

/** Who signed, when the signature itself leaves no doubt, and whether that person could then. */
function signerChecks(signing: Signing, context: SignatureContext): readonly Check[] {
  const { name, statement, signer } = signing;
  if (signer === undefined) return [];
  const said = `${statement.person.name} (${statement.person.id})`;
  const common = subjectPart(signer, 'CN');
  if (purposeOf(signer) !== 'person') {
    const sentence = `The statement is of ${said}, but a seal, "${common}", signs it: a seal is no signature of a person.`;
    return [broken(name, 'signer/seal-used', sentence)];
  }
  const id = subjectPart(signer, 'serialNumber');
  if (id !== statement.person.id || common !== statement.person.name) {
    const sentence = `The statement is of ${said}, but ${common} (${id}) signed it.`;
    return [broken(name, 'signer/other-person', sentence)];
  }
  const sentence = statementSentence(statement);
  const who = check({ kind: 'signature', name }, 'signer', 'holds', 'signer', sentence);
  return [who, timeCheck(signing, signer, context), ...retiredChecks(signing, context)];
}

function timeCheck(
  { name, statement, at }: Signing,
  signer: X509Certificate,
  { table, trust }: SignatureContext,
): Check {
  const said = isoInstant(statement.at);
  const { from, until } = validity(signer);
  const faults: readonly (readonly [boolean, string, string])[] = [
    [
      at !== statement.at,
      'time-differs',
      `The statement says ${said}, the signature ${at === undefined ? 'nothing' : isoInstant(at)}.`,
    ],
    [
      statement.at < from || statement.at > until,
      'expired',
      `Signed ${said} with a certificate valid from ${isoInstant(from)} to ${isoInstant(until)}.`,
    ],
    [
      table !== undefined && statement.at < Math.floor(table.issued / 1000) * 1000,
      'before-record',
      `Signed ${said}, before the record was issued${table === undefined ? '' : ` ${isoInstant(table.issued)}`}.`,
    ],
    [
      statement.at > trust.now,
      'in-future',
      `Signed ${said}, later than now, ${isoInstant(trust.now)}.`,
    ],
  ];
  const fault = faults.find(([isFault]) => isFault);
  if (fault !== undefined) return broken(name, `time/${fault[1]}`, fault[2]);
  if (trust.now > until) {
    const sentence = `Signed ${said} by its own account; the certificate expired ${isoInstant(until)} and no time stamp proves the account.`;
    return check({ kind: 'signature', name }, 'time', 'open', 'time-unproven', sentence);
  }
  const sentence = `Signed ${said}; the certificate was valid then.`;
  return check({ kind: 'signature', name }, 'time', 'holds', 'time', sentence);
}

/** The time a statement claims can be put back, the order of entries cannot: the later of both counts. */
function retiredChecks(
  { name, statement }: Signing,
  { retiredAt, entries }: SignatureContext,
): readonly Check[] {
  const retired = retiredAt(statement.person.id);
  if (retired === undefined) return [];
  const entered = signatures(entries).find(
    ({ what, person }) =>
      what.kind === 'record' &&
      what.statement.name === `${name}.json` &&
      person === statement.person.id &&
      statement.subject.kind === 'record' &&
      what.certificate === statement.subject.number,
  );
  const signed = Math.max(statement.at, entered?.at ?? statement.at);
  if (signed < retired) return [];
  const sentence = `${statement.person.name} (${statement.person.id}) was retired ${isoInstant(retired)} and could not sign ${isoInstant(signed)}.`;
  return [broken(name, 'person/retired', sentence)];
}

/** Whether the statement is of this very record. */
function recordCheck({ name, statement }: Signing, context: SignatureContext): Check {
  const { subject } = statement;
  const { table } = context;
  if (subject.kind !== 'record') {
    return broken(
      name,
      'record/other-record',
      'The statement is of entries of the ledger, not of this record.',
    );
  }
  const isOther =
    table !== undefined &&
    (table.number !== subject.number ||
      table.revision !== subject.revision ||
      table.serial !== subject.serial ||
      table.simulated !== statement.simulated);
  if (isOther) {
    const sentence = `The statement is of record ${subject.number} revision ${subject.revision} of item ${subject.serial}${statement.simulated ? ', simulated' : ''}; this is ${table.number} revision ${table.revision} of ${table.serial}${table.simulated ? ', simulated' : ''}.`;
    return broken(name, 'record/other-record', sentence);
  }
  const unnamed = SIGNED_FILES.filter((file) => subject.files[file] === undefined);
  if (unnamed.length > 0) {
    return broken(
      name,
      'record/file-unnamed',
      `The statement does not name ${unnamed.join(', ')}.`,
    );
  }
  const differing = Object.entries(subject.files)
    .filter(([file, digest]) => digest !== digestOf(context.files.get(file)))
    .map(([file]) => file);
  if (differing.length > 0) {
    const sentence = `What was signed is not what lies here: ${differing.join(', ')} ${differing.length === 1 ? 'has' : 'have'} another digest than the statement says.`;
    return broken(name, 'record/files-differ', sentence);
  }
  const sentence = 'The statement names the very files of this record.';
  return check({ kind: 'signature', name }, 'record', 'holds', 'record', sentence);
}

const digestOf = (bytes: Uint8Array | undefined): string =>
  bytes === undefined ? '' : sha256(bytes);

function enteredChecks(
  { name, statement }: Signing,
  digests: { readonly statement: string; readonly signature: string },
  { entries }: SignatureContext,
): readonly Check[] {
  if (entries === undefined || statement.subject.kind !== 'record') return [];
  const { number } = statement.subject;
  const entry = signatures(entries).find(
    ({ what }) =>
      what.kind === 'record' &&
      what.certificate === number &&
      what.statement.digest === digests.statement &&
      what.signature.digest === digests.signature,
  );
  if (entry === undefined) {
    const sentence = `The ledger has no entry of this signature of ${number}.`;
    return [broken(name, 'ledger/not-entered', sentence)];
  }
  const sentence = `Entry ${entry.entry} of the ledger is of this signature.`;
  return [check({ kind: 'signature', name }, 'ledger', 'holds', 'ledger', sentence)];
}

function removedChecks(
  added: ReadonlyMap<string, Uint8Array>,
  { entries, table }: SignatureContext,
): readonly Check[] {
  return signatures(entries).flatMap(({ what, entry, person, meaning }) => {
    if (what.kind !== 'record' || table === undefined) return [];
    if (what.certificate !== table.number || what.revision !== table.revision) return [];
    const gone = [what.statement.name, what.signature.name].filter((file) => !added.has(file));
    if (gone.length === 0) return [];
    const sentence = `${gone.join(', ')} ${gone.length === 1 ? 'is' : 'are'} missing: by entry ${entry} of the ledger ${person} signed as ${meaning}.`;
    return [broken(what.statement.name.replace(/\.json$/u, ''), 'files/removed', sentence)];
  });
}

const signatures = (entries: readonly Entry[] | undefined): readonly SignedEntry[] =>
  (entries ?? []).flatMap((entry) => signedIn(entry) ?? []);

/** One review of the ledger with what was found about its signature. */
export interface ReviewReport {
  /** Number of the entry that holds it. */
  readonly entry: number;
  readonly from: number;
  readonly to: number;
  readonly person: string;
  readonly checks: readonly Check[];
  readonly intact: boolean;
}

/** Checks every review sign-off of a ledger: its signature, its signer, and that the end it names is still there. */
export async function checkReviews(
  entries: readonly Entry[],
  trust: Trust,
  retiredAt: (id: string) => number | undefined,
): Promise<readonly ReviewReport[]> {
  const reports: ReviewReport[] = [];
  for (const signed of signatures(entries)) {
    const { what, entry, person } = signed;
    if (what.kind !== 'ledger') continue;
    const checks = await reviewChecks(signed, what, entries, { trust, retiredAt });
    const intact = checks.every(({ outcome }) => outcome !== 'broken');
    reports.push({ entry, from: what.from, to: what.to, person, checks, intact });
  }
  return reports;
}

async function reviewChecks(
  signed: SignedEntry,
  {
    text,
    cms,
    from,
    to,
  }: { readonly text: string; readonly cms: string; readonly from: number; readonly to: number },
  entries: readonly Entry[],
  given: Pick<SignatureContext, 'trust' | 'retiredAt'>,
): Promise<readonly Check[]> {
  const name = `review-${signed.entry}`;
  const bytes = new TextEncoder().encode(text);
  const statement = readStatement(bytes);
  if (typeof statement === 'string') {
    return [broken(name, 'statement/statement-unreadable', `It is no statement. ${statement}`)];
  }
  const der = new Uint8Array(Buffer.from(cms, 'base64'));
  const hint = hintOf(statement);
  const file: MarkedFile = { kind: 'signature', name, parts: [bytes], der, at: statement.at, hint };
  const mark = await checkMark(file, given.trust);
  const context = { ...given, files: new Map(), table: undefined, entries: undefined };
  const { subject } = statement;
  const end = entries.find(({ number }) => number === to)?.digest;
  const isSame =
    subject.kind === 'ledger' &&
    subject.from === from &&
    subject.to === to &&
    subject.digest === end &&
    to < signed.entry;
  const range = isSame
    ? check(
        { kind: 'signature', name },
        'range',
        'holds',
        'range',
        `Entries ${from} to ${to} are those that were reviewed.`,
      )
    : broken(
        name,
        'range/range-differs',
        `Entries ${from} to ${to} are not those that were signed.`,
      );
  const signing = { name, statement, signer: mark.signer, at: mark.at };
  return [...mark.checks, ...signerChecks(signing, context), range];
}
