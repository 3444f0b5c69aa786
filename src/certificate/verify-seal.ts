import { verify, X509Certificate } from 'node:crypto';
import { isoInstant } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Check } from './check.js';
import { certificateUsage, digestOfParts, readSeal, type SealContents } from './cms.js';
import type { CertificateTable } from './csv-table.js';
import { purposeOf, subjectPart, validity, type CertificateUse } from './seal-certificate.js';

export type { Check } from './check.js';

/** The certificates that are trusted, and when they are asked. */
export interface Trust {
  /** Root certificates, PEM or DER. */
  readonly roots: readonly Uint8Array[];
  /** Time of the verification, ms since the Unix epoch. */
  readonly now: number;
}

/** Bytes with a detached signature over them: the seal of a bench, or the signature of a person. */
export interface MarkedFile {
  /** What it is called in codes of checks. */
  readonly kind: 'table' | 'page' | 'signature';
  /** What it is called in names of checks; the kind when left out. */
  readonly name?: string;
  readonly parts: readonly Uint8Array[];
  readonly der: Uint8Array;
  /** Time the file itself claims; the seal of a page carries none of its own. */
  readonly at: number | undefined;
  /** What the signature should say it is of; undefined when that cannot be read. */
  readonly hint: string | undefined;
}

/** One file of a record with its seal. */
export interface SealedFile extends Omit<MarkedFile, 'hint'> {
  readonly kind: 'table' | 'page';
  /** Undefined when the table cannot be read: what depends on it stays open. */
  readonly table: CertificateTable | undefined;
}

/** How sentences call the signature, and what it is over. */
const WORDS = {
  table: { mark: 'seal', over: 'table', doing: 'sealing', done: 'sealed', does: 'closes' },
  page: { mark: 'seal', over: 'page', doing: 'sealing', done: 'sealed', does: 'closes' },
  signature: {
    mark: 'signature',
    over: 'statement',
    doing: 'signing',
    done: 'signed',
    does: 'signs',
  },
} as const;

/** Checks of one seal, and who made it when there is no doubt about that. */
export interface SealReport {
  readonly checks: readonly Check[];
  /** SHA-256 fingerprint of the signer's certificate; undefined when the seal is broken. */
  readonly signer: string | undefined;
}

/**
 * Checks one seal: that it is one, that it is of these bytes, who made it, whether that leads to a
 * trusted root, when it was made, and whether it may close this kind of record.
 *
 * Times are those the seal claims: without a time stamp they prove no more than that the certificate
 * was valid at the time its holder gave.
 *
 * Source: RFC 5652, 5.6; RFC 5280, 6.1, for a chain of two.
 */
export async function checkSeal(file: SealedFile, trust: Trust): Promise<SealReport> {
  const { table } = file;
  const hint = table === undefined ? undefined : `${table.number} rev ${String(table.revision)}`;
  const { checks, signer, at } = await checkMark({ ...file, hint }, trust);
  if (signer === undefined) return { checks, signer: undefined };
  const more = [signerCheck(file, signer), timeCheck(file, signer, at, trust.now)];
  const purpose = purposeOf(signer) === 'person' ? [] : [purposeCheck(file, signer)];
  return { checks: [...checks, ...more, ...purpose], signer: signer.fingerprint256 };
}

/** Checks of one detached signature that hold whoever made it, and who that was. */
export interface MarkReport {
  readonly checks: readonly Check[];
  /** Undefined when it is open who signed. */
  readonly signer: X509Certificate | undefined;
  /** Time it claims, ms since the Unix epoch. */
  readonly at: number | undefined;
}

/** Checks that bytes carry a signature, that it is of these bytes, and that it leads to a trusted root. */
export async function checkMark(file: MarkedFile, trust: Trust): Promise<MarkReport> {
  const seal = await readSeal(file.der);
  const { mark, over } = WORDS[file.kind];
  if (typeof seal === 'string') {
    const sentence = `The ${mark} of the ${over} cannot be read. ${seal}`;
    const checks = [check(file, mark, 'broken', `${mark}-unreadable`, sentence)];
    return { checks, signer: undefined, at: undefined };
  }
  const made = sealCheck(file, seal);
  const bytes = bytesCheck(file, seal);
  const at = seal.signingTime ?? file.at;
  if (made.outcome !== 'holds' || seal.signer === undefined) {
    return { checks: [bytes, made], signer: undefined, at };
  }
  const root = await rootCheck({ ...file, at }, seal, seal.signer, trustedRoots(trust.roots));
  return { checks: [bytes, made, root], signer: seal.signer, at };
}

/** Makes a check that is named after the file. */
export function check(
  { kind, name: file }: Pick<MarkedFile, 'kind' | 'name'>,
  name: string,
  outcome: Check['outcome'],
  finding: string,
  sentence: string,
): Check {
  return { name: `${file ?? kind}: ${name}`, outcome, finding: `${kind}/${finding}`, sentence };
}

/** The seal names its record, so a seal put beside another file is told from a changed file. */
function bytesCheck(file: MarkedFile, seal: SealContents): Check {
  const found = digestOfParts(seal.hash, file.parts);
  const name = 'bytes';
  const { mark, over, doing, done, does } = WORDS[file.kind];
  if (found === seal.digest) {
    return check(file, name, 'holds', `as-${done}`, `Every byte of the ${over} is as ${done}.`);
  }
  if (seal.hint !== undefined && file.hint !== undefined && seal.hint !== file.hint) {
    const sentence = `The ${mark} is of another file: it ${does} ${seal.hint}, the ${over} is ${file.hint}.`;
    return check(file, name, 'broken', `${mark}-of-another`, sentence);
  }
  const sentence = `The ${over} was changed after ${doing}: its digest is ${short(found)}, ${done} was ${short(seal.digest)}.`;
  return check(file, name, 'broken', 'changed', sentence);
}

const short = (digest: string): string => `${digest.slice(0, 8)}…${digest.slice(-8)}`;

/** Whether the signature is of the attributes in it, by the certificate it binds. */
function sealCheck(file: MarkedFile, seal: SealContents): Check {
  const { mark, over } = WORDS[file.kind];
  const { signer } = seal;
  if (signer === undefined) {
    const sentence = `The ${mark} of the ${over} does not carry the certificate of its signer.`;
    return check(file, mark, 'broken', 'signer-missing', sentence);
  }
  if (digestOfParts('sha256', [signer.raw]) !== seal.certificateDigest) {
    const sentence = `The ${mark} of the ${over} carries another certificate than the one its signer bound into it.`;
    return check(file, mark, 'broken', 'signer-exchanged', sentence);
  }
  const key = { key: signer.publicKey, dsaEncoding: 'der' } as const;
  if (!verify(seal.hash, seal.signedAttributes, key, seal.signature)) {
    const sentence = `The ${mark} of the ${over} was altered, or was not made with the key of "${nameOf(signer)}".`;
    return check(file, mark, 'broken', `${mark}-altered`, sentence);
  }
  const sentence = `The ${mark} was made with the key of "${nameOf(signer)}".`;
  return check(file, mark, 'holds', mark, sentence);
}

const nameOf = (certificate: X509Certificate): string => certificate.subject.replaceAll('\n', ', ');

const BASIC_CONSTRAINTS = '2.5.29.19';
const KEY_USAGE = '2.5.29.15';
const understood = (extension: string): boolean =>
  extension === BASIC_CONSTRAINTS || extension === KEY_USAGE;

/** Follows the chain: the signer's certificate is issued by a trusted root, and each may do its part. */
async function rootCheck(
  file: MarkedFile,
  { signerUsage }: SealContents,
  signer: X509Certificate,
  roots: readonly X509Certificate[],
): Promise<Check> {
  const name = 'root';
  const { mark, doing } = WORDS[file.kind];
  const root = issuerAmong(roots, signer);
  if (root === undefined) {
    const given = roots.length === 0 ? 'no root certificate was given' : 'none of the given roots';
    const sentence = `The ${mark} is not trusted: its certificate was issued by "${signer.issuer.replaceAll('\n', ', ')}", ${given}${roots.length === 0 ? '' : ' is that one'}.`;
    return check(file, name, 'broken', 'untrusted-root', sentence);
  }
  const usage = await certificateUsage(root.raw);
  const mayIssue = root.ca && usage.keyCertSign && usage.criticalExtensions.every(understood);
  if (!mayIssue) {
    const sentence = `"${nameOf(root)}" was given as a root, but its certificate does not permit issuing others.`;
    return check(file, name, 'broken', 'root-may-not-issue', sentence);
  }
  const maySeal =
    !signer.ca &&
    signerUsage?.digitalSignature === true &&
    signerUsage.criticalExtensions.every(understood);
  if (!maySeal) {
    const sentence = `"${nameOf(signer)}" is not a certificate for ${doing}.`;
    return check(file, name, 'broken', 'signer-may-not-seal', sentence);
  }
  if (purposeOf(root) !== rootFor(purposeOf(signer))) {
    const sentence = `"${nameOf(signer)}" and its root "${nameOf(root)}" are not for the same kind of record.`;
    return check(file, name, 'broken', 'root-purpose', sentence);
  }
  const { from, until } = validity(root);
  if (file.at !== undefined && (file.at < from || file.at > until)) {
    const sentence = `"${nameOf(root)}" is valid from ${isoInstant(from)} to ${isoInstant(until)}, which does not include ${isoInstant(file.at)}.`;
    return check(file, name, 'broken', 'root-expired', sentence);
  }
  const sentence = `The certificate of the ${mark} was issued by "${nameOf(root)}", which you trust.`;
  return check(file, name, 'holds', 'root', sentence);
}

/** The plant root issues the keys of persons too; nobody gets one from the root of the simulation. */
const rootFor = (use: CertificateUse): CertificateUse => (use === 'person' ? 'bench' : use);

/** @throws keys/damaged for a root that is no certificate. */
function trustedRoots(roots: readonly Uint8Array[]): readonly X509Certificate[] {
  return roots.map((root) => {
    try {
      return new X509Certificate(root);
    } catch (cause) {
      const what = 'A file given as a root certificate holds no certificate.';
      const fix = 'Give the root certificate as PEM or DER.';
      throw new StallmarkError([{ code: 'keys/damaged', what, fix }], { cause });
    }
  });
}

function issuerAmong(
  roots: readonly X509Certificate[],
  signer: X509Certificate,
): X509Certificate | undefined {
  return roots.find((root) => signer.checkIssued(root) && signer.verify(root.publicKey));
}

/** A bench seals its own records. */
function signerCheck(file: SealedFile, signer: X509Certificate): Check {
  const name = 'signer';
  const bench = subjectPart(signer, 'CN');
  if (purposeOf(signer) === 'person') {
    const sentence = `The key of a person, "${bench}", closes the ${file.kind}: only the seal of a bench may.`;
    return check(file, name, 'broken', 'person-key', sentence);
  }
  if (file.table === undefined) {
    const sentence = 'Whether the right bench sealed it is open: the table cannot be read.';
    return check(file, name, 'open', 'signer-open', sentence);
  }
  if (purposeOf(signer) === 'bench' && bench !== file.table.bench) {
    const sentence = `The wrong signer: the record is of bench ${file.table.bench}, sealed by "${bench}".`;
    return check(file, name, 'broken', 'wrong-signer', sentence);
  }
  const sealer = purposeOf(signer) === 'bench' ? `bench "${bench}"` : `"${bench}"`;
  return check(file, name, 'holds', 'signer', `Sealed by ${sealer}.`);
}

function timeCheck(
  file: SealedFile,
  signer: X509Certificate,
  at: number | undefined,
  now: number,
): Check {
  const name = 'time';
  if (at === undefined) {
    const sentence = `The seal of the ${file.kind} does not say when it was made.`;
    return check(file, name, 'broken', 'time-missing', sentence);
  }
  const { from, until } = validity(signer);
  const said = isoInstant(at);
  if (at < from || at > until) {
    const sentence = `Sealed ${said} with a certificate valid from ${isoInstant(from)} to ${isoInstant(until)}, and no time stamp proves an earlier time.`;
    return check(file, name, 'broken', 'expired', sentence);
  }
  if (file.table !== undefined && at < Math.floor(file.table.ended / 1000) * 1000) {
    const sentence = `Sealed ${said}, before the test ended ${isoInstant(file.table.ended)}.`;
    return check(file, name, 'broken', 'sealed-before-test', sentence);
  }
  if (at > now) {
    const sentence = `Sealed ${said}, which is later than now, ${isoInstant(now)}.`;
    return check(file, name, 'broken', 'sealed-in-future', sentence);
  }
  if (now > until) {
    const sentence = `Sealed ${said} by its own account, when the certificate was valid; it expired ${isoInstant(until)} and no time stamp proves the account.`;
    return check(file, name, 'open', 'time-unproven', sentence);
  }
  return check(file, name, 'holds', 'time', `Sealed ${said}; the certificate was valid then.`);
}

function purposeCheck(file: SealedFile, signer: X509Certificate): Check {
  const name = 'purpose';
  if (file.table === undefined) {
    const sentence =
      'Whether the seal is for this kind of record is open: the table cannot be read.';
    return check(file, name, 'open', 'purpose-open', sentence);
  }
  const sealed = purposeOf(signer);
  const { simulated } = file.table;
  if (sealed === 'simulation' && !simulated) {
    const sentence =
      'The record says it is of a real item, but the simulation sealed it: it is no product record.';
    return check(file, name, 'broken', 'simulation-seal-on-real', sentence);
  }
  if (sealed === 'bench' && simulated) {
    const sentence = 'The record says it is simulated, but a bench seal closes it.';
    return check(file, name, 'broken', 'bench-seal-on-simulated', sentence);
  }
  const sentence = simulated
    ? 'A simulated record, sealed by the simulation.'
    : 'A record of a real item, sealed by a bench.';
  return check(file, name, 'holds', 'purpose', sentence);
}
