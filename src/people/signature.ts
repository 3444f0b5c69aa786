import { readdirSync, rmSync } from 'node:fs';
import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { sha256 } from '../base/canonical.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import type { CertificateTable } from '../certificate/csv-table.js';
import type { PersonKey } from '../certificate/person-keys.js';
import { signStatement } from '../certificate/sign-statement.js';
import {
  ledgerSignedEntry,
  recordSignedEntry,
  signedIn,
  type SignatureFiles,
} from '../certificate/signed-entry.js';
import {
  offsetAt,
  statementText,
  type Meaning,
  type RecordSubject,
  type Statement,
} from '../certificate/statement.js';
import { lastSignature, SIGNED_FILES, signatureNames } from '../certificate/verify-signature.js';
import { verifyRecord, type Against } from '../certificate/verify.js';
import { auditLedger } from '../ledger/audit.js';
import { systemDisk, type Disk } from '../ledger/disk.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import { retiredAt } from './change.js';
import { nameOf, type Role, type Session } from './people.js';
import { inRoles, roleProblems } from './session.js';

/** Who may sign with which meaning. */
export const MAY_SIGN: Readonly<Record<Meaning, readonly Role[]>> = {
  tested: ['operator'],
  reviewed: ['quality engineer', 'auditor'],
  approved: ['quality engineer'],
  concession: ['quality engineer'],
};

/** Something that was done before, and by whom as entries and documents name people. */
export interface EarlierAct {
  readonly did: Meaning | 'wrote';
  /** A name, an id, or both as "name (id)". */
  readonly by: string;
}

export interface SecondPerson {
  /** Whether the document asks for a second person. */
  readonly asked: boolean;
  readonly meaning: Meaning;
  readonly person: Pick<Session, 'id' | 'name'>;
  readonly earlier: readonly EarlierAct[];
}

const FIRST: ReadonlySet<EarlierAct['did']> = new Set(['tested', 'wrote']);
const SECOND: ReadonlySet<EarlierAct['did']> = new Set(['approved', 'concession']);

/**
 * Says that whoever tested or wrote something would also approve it, or the other way round, where
 * the document asks for a second person.
 */
export function secondPersonProblems(act: SecondPerson): readonly Problem[] {
  const { asked, meaning, person, earlier } = act;
  const against = FIRST.has(meaning) ? SECOND : SECOND.has(meaning) ? FIRST : new Set();
  const own = earlier.find(({ did, by }) => against.has(did) && isBy(person, by));
  if (!asked || own === undefined) return [];
  const first = own.did === 'concession' ? 'granted the concession' : own.did;
  const what = `${person.name} (${person.id}) ${first} this and cannot sign as ${meaning} too: the document asks for a second person.`;
  return [{ code: 'people/second-person', what, fix: 'Have another person sign.' }];
}

/** Whether an entry or a document names this person. */
export function isBy({ id, name }: Pick<Session, 'id' | 'name'>, by: string): boolean {
  const given = by.trim().toLowerCase();
  return [id, name, `${name} (${id})`].some((known) => known.toLowerCase() === given);
}

/** A person who signs, by means of the own key. */
export interface Signer {
  readonly session: Session;
  readonly key: PersonKey;
  readonly why: string;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/** A record that is to be signed. */
export interface RecordSigning extends Signer {
  readonly meaning: Meaning;
  /** Folder of the record. */
  readonly folder: string;
  readonly ledger: Ledger;
  readonly roots: Against['roots'];
  /** Whether the document asks for a second person. */
  readonly secondPerson: boolean;
}

/** A signature that was made. */
export interface Signed {
  readonly statement: Statement;
  readonly entry: Entry;
  readonly files: readonly string[];
}

/**
 * Signs a sealed record: writes statement and signature beside it and enters them, all or nothing.
 * The sealed files are verified before and not touched.
 *
 * @throws people/signature when the record is not intact or was signed like this before; people/role,
 * people/second-person, keys/purpose, keys/expired, usage/argument, ledger/*, storage/*.
 */
export async function signRecord(signing: RecordSigning, disk: Disk = systemDisk): Promise<Signed> {
  const { session, meaning, folder, ledger, now } = signing;
  throwIfAny([
    ...signerProblems(signing),
    ...roleProblems(inRoles(session), MAY_SIGN[meaning], `sign as ${meaning}`),
  ]);
  const table = await intactTable(signing);
  const subject = await recordSubject(folder, table);
  const statement = { ...statementOf(signing, meaning, table.simulated), subject };
  const cms = await signStatement(statement, signing.key);
  const text = statementText(statement);
  const written: string[] = [];
  const write = (name: string, bytes: Uint8Array | string): void => {
    disk.writeFile(join(folder, name), bytes);
    written.push(join(folder, name));
  };
  let names = signatureNames(1);
  try {
    const entry = ledger.append(
      () => {
        const issued = refuseUnfit(signing, table);
        names = signatureNames(lastSignature(readdirSync(folder)) + 1);
        const files = filesOf(names, text, cms);
        return recordSignedEntry(statement, files, issued.attempt, nameOf(session));
      },
      now,
      () => {
        write(names.statement, text);
        write(names.cms, cms);
        for (const file of [...written, folder]) disk.sync(file);
      },
    );
    return { statement, entry, files: written };
  } catch (error) {
    for (const file of written) rmSync(file, { force: true }); // made a moment ago, and not entered
    throw error;
  }
}

function filesOf(
  names: ReturnType<typeof signatureNames>,
  text: string,
  cms: Uint8Array,
): SignatureFiles {
  return {
    statement: { name: names.statement, digest: sha256(text) },
    signature: { name: names.cms, digest: sha256(cms) },
  };
}

/** What keeps somebody from signing anything. */
function signerProblems({ session, key, why }: Signer): readonly Problem[] {
  const problems: Problem[] = [];
  const add = (code: Problem['code'], what: string, fix: string): void => {
    problems.push({ code, what, fix });
  };
  if (session.means !== 'authenticated') {
    add(
      'people/signature',
      `"${session.name}" was only stated; nobody signs like that.`,
      'Log in.',
    );
  }
  if (key.id !== session.id) {
    const what = `The key is of ${key.id}, but ${session.id} is logged in.`;
    add('keys/purpose', what, 'Sign with your own key.');
  }
  if (why.trim() === '' || /\p{Surrogate}/u.test(why)) {
    add('usage/argument', 'A signature needs a reason in words.', 'Give the reason with --why.');
  }
  return problems;
}

/** Nobody signs what does not verify. */
async function intactTable({
  folder,
  roots,
  ledger,
  now,
}: RecordSigning): Promise<CertificateTable> {
  const ledgerEntries = [...ledger.entries()];
  const people = ledger.of('');
  const report = await verifyRecord(folder, {
    roots,
    now,
    ledgerEntries,
    retiredAt: (id) => retiredAt(people, id),
  });
  const { table, checks, intact } = report;
  if (intact && table !== undefined) return table;
  const fix = 'Have the record looked at first: stallmark verify.';
  const problems = checks
    .filter(({ outcome }) => outcome === 'broken')
    .map(({ sentence }) => ({ code: 'people/signature', what: sentence, fix }) as const);
  throwIfAny(problems);
  const what = `"${folder}" holds no record that can be read.`;
  throw new StallmarkError([{ code: 'people/signature', what, fix }]);
}

async function recordSubject(folder: string, table: CertificateTable): Promise<RecordSubject> {
  const files: Record<string, string> = {};
  for (const name of SIGNED_FILES) files[name] = sha256(await readFile(join(folder, name)));
  const { number, revision, serial } = table;
  return { kind: 'record', number, revision, serial, files };
}

function statementOf(
  { session, why, now }: Signer,
  meaning: Meaning,
  simulated: boolean,
): Omit<Statement, 'subject'> {
  const at = Math.floor(now / 1000) * 1000;
  const { id, name, roles } = session;
  return {
    person: { id, name, roles },
    meaning,
    why: why.trim(),
    at,
    offset: offsetAt(at),
    simulated,
  };
}

/** Rules that depend on what was signed before; judged while no other program can append. */
function refuseUnfit(signing: RecordSigning, table: CertificateTable): Entry {
  const { session, meaning, ledger } = signing;
  const entries = ledger.of(table.serial);
  const isOf = ({ body }: Entry): boolean =>
    body['certificate'] === table.number && body['revision'] === table.revision;
  const issued = entries.find((entry) => entry.kind === 'record-issued' && isOf(entry));
  if (issued === undefined) throw new Error(`${table.number} verified without an entry`);
  const before = entries.filter(isOf).flatMap((entry) => signedIn(entry) ?? []);
  const earlier: readonly EarlierAct[] = [
    { did: 'tested', by: issued.by },
    ...before.map(({ person, meaning: did }) => ({ did, by: person })),
  ];
  const again = before.find((b) => b.person === session.id && b.meaning === meaning);
  throwIfAny([
    ...secondPersonProblems({ asked: signing.secondPerson, meaning, person: session, earlier }),
    ...(again === undefined ? [] : [againProblem(session, meaning, again.entry)]),
  ]);
  return issued;
}

function againProblem(session: Session, meaning: Meaning, entry: number): Problem {
  const what = `${nameOf(session)} signed this as ${meaning} already, entry ${entry}.`;
  return { code: 'people/signature', what, fix: 'Nothing more is needed.' };
}

/** A review of the ledger up to its end. */
export interface ReviewSigning extends Signer {
  readonly ledger: Ledger;
  readonly simulated: boolean;
}

const REVIEWERS: readonly Role[] = ['quality engineer', 'auditor'];

/**
 * Signs off that the audit trail was reviewed, from where the last review ended to the last entry.
 * The signature is kept in its own entry.
 *
 * @throws ledger/damaged when the ledger does not audit clean, people/signature when nothing is new,
 * people/role, keys/purpose, keys/expired, usage/argument, ledger/*.
 */
export async function signReview(signing: ReviewSigning): Promise<Signed> {
  const { session, ledger, now, simulated } = signing;
  throwIfAny([
    ...signerProblems(signing),
    ...roleProblems(inRoles(session), REVIEWERS, 'review the audit trail'),
  ]);
  const entries = [...ledger.entries()];
  refuseUnclean(entries);
  const { from, last } = reviewRange(entries);
  const { number: to, digest } = last;
  const subject = { kind: 'ledger', from, to, digest } as const;
  const statement = { ...statementOf(signing, 'reviewed', simulated), subject };
  const cms = await signStatement(statement, signing.key);
  const signed = { text: statementText(statement), cms: Buffer.from(cms).toString('base64') };
  const entry = ledger.append(ledgerSignedEntry(statement, signed, nameOf(session)), now);
  return { statement, entry, files: [] };
}

function refuseUnclean(entries: readonly Entry[]): void {
  // An attempt that goes on now is no damage: it ends after this review.
  const findings = auditLedger(entries).findings.filter(({ name }) => name !== 'interrupted');
  const fix = 'Have the ledger looked at first: stallmark ledger audit.';
  throwIfAny(findings.map(({ what }) => ({ code: 'ledger/damaged', what, fix })));
}

/** From after the last review to the last entry. */
function reviewRange(entries: readonly Entry[]): { readonly from: number; readonly last: Entry } {
  const ends = entries.flatMap((entry) => {
    const signed = signedIn(entry);
    return signed?.what.kind === 'ledger' ? [signed.what.to] : [];
  });
  const from = Math.max(0, ...ends) + 1;
  const last = entries.at(-1);
  if (last !== undefined && last.number >= from) return { from, last };
  const what = 'The ledger has no entry that was not reviewed.';
  throw new StallmarkError([{ code: 'people/signature', what, fix: 'Nothing is to be done.' }]);
}
