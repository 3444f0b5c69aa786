import { createHash, X509Certificate } from 'node:crypto';
import type { Attribute, Certificate as ParsedCertificate, SignedData } from 'pkijs';

/** Object identifiers of RFC 5652, RFC 5035, RFC 2634 and RFC 5758 that a seal uses. */
export const OID = {
  data: '1.2.840.113549.1.7.1',
  signedData: '1.2.840.113549.1.7.2',
  contentType: '1.2.840.113549.1.9.3',
  messageDigest: '1.2.840.113549.1.9.4',
  signingTime: '1.2.840.113549.1.9.5',
  contentHint: '1.2.840.113549.1.9.16.2.4',
  signingCertificate: '1.2.840.113549.1.9.16.2.47',
} as const;

/** Digest algorithms a seal may use, by object identifier. */
const DIGESTS: ReadonlyMap<string, string> = new Map([
  ['2.16.840.1.101.3.4.2.1', 'sha256'],
  ['2.16.840.1.101.3.4.2.2', 'sha384'],
  ['2.16.840.1.101.3.4.2.3', 'sha512'],
]);

/** Signature algorithms a seal may use, with the digest each implies: ECDSA, RFC 5758. */
const SIGNATURES: ReadonlyMap<string, string> = new Map([
  ['1.2.840.10045.4.3.2', 'sha256'],
  ['1.2.840.10045.4.3.3', 'sha384'],
  ['1.2.840.10045.4.3.4', 'sha512'],
]);

/** What a detached CMS signature says, nothing of it verified yet. */
export interface SealContents {
  /** Name for `node:crypto`, e.g. sha256. */
  readonly hash: string;
  /** Digest of the sealed bytes, hexadecimal. */
  readonly digest: string;
  /** Claimed by the signer, ms since the Unix epoch; PDF seals have none. */
  readonly signingTime: number | undefined;
  /** What was sealed, in the signer's words; PDF seals have none. */
  readonly hint: string | undefined;
  /** SHA-256 of the signer's certificate, hexadecimal. */
  readonly certificateDigest: string;
  /** The bytes that were signed, DER. */
  readonly signedAttributes: Uint8Array;
  readonly signature: Uint8Array;
  /** The bundled certificate that the signer information names; undefined when it is not bundled. */
  readonly signer: X509Certificate | undefined;
  /** Object identifiers of critical extensions and key usage bits of the signer. */
  readonly signerUsage: CertificateUsage | undefined;
}

/** What a certificate permits, beyond what `node:crypto` tells. */
export interface CertificateUsage {
  readonly digitalSignature: boolean;
  readonly keyCertSign: boolean;
  readonly criticalExtensions: readonly string[];
}

/**
 * Reads a detached CMS signature with one signer and signed attributes.
 *
 * @returns Its contents, or in one sentence why the bytes are not such a signature.
 *
 * Source: RFC 5652, sections 3, 5 and 11.
 */
export async function readSeal(der: Uint8Array): Promise<SealContents | string> {
  const { ContentInfo, SignedData } = await import('pkijs');
  const { fromBER } = await import('asn1js');
  const parsed = fromBER(exactBuffer(der));
  if (parsed.offset !== der.length) {
    return parsed.offset < 0
      ? 'It is not DER.'
      : `${String(der.length - parsed.offset)} bytes follow the signature.`;
  }
  try {
    const info = new ContentInfo({ schema: parsed.result });
    if (info.contentType !== OID.signedData) return 'It is not CMS signed data.';
    return contentsOf(new SignedData({ schema: info.content }));
  } catch (error) {
    if (error instanceof Unreadable) return error.message;
    // The ASN.1 library reports a shape that does not match by throwing.
    return `It is not CMS signed data (${error instanceof Error ? error.message : String(error)}).`;
  }
}

/** Thrown and caught in this file only. */
class Unreadable extends Error {}

function contentsOf(data: SignedData): SealContents {
  const [info, ...others] = data.signerInfos;
  if (info === undefined || others.length > 0) {
    throw new Unreadable(`It has ${String(data.signerInfos.length)} signers, not one.`);
  }
  if (data.encapContentInfo.eContent !== undefined) {
    throw new Unreadable('It carries content of its own instead of being detached.');
  }
  const hash = DIGESTS.get(info.digestAlgorithm.algorithmId);
  if (hash === undefined || SIGNATURES.get(info.signatureAlgorithm.algorithmId) !== hash) {
    throw new Unreadable(
      `It uses algorithms that no seal uses (${info.digestAlgorithm.algorithmId}, ${info.signatureAlgorithm.algorithmId}).`,
    );
  }
  if (info.signedAttrs === undefined) throw new Unreadable('It has no signed attributes.');
  const attributes = new Attributes(info.signedAttrs.attributes);
  if (attributes.contentType() !== OID.data) throw new Unreadable('Its content type is not data.');
  const signer = signerOf(data, info.sid);
  return {
    hash,
    digest: attributes.messageDigest(),
    signingTime: attributes.signingTime(),
    hint: attributes.hint(),
    certificateDigest: attributes.certificateDigest(),
    signedAttributes: new Uint8Array(info.signedAttrs.encodedValue),
    signature: info.signature.valueBlock.valueHexView,
    signer: signer === undefined ? undefined : certificateOf(signer),
    signerUsage: signer === undefined ? undefined : usageOf(signer),
  };
}

/** The signed attributes by their object identifiers, each at most once and with one value. */
class Attributes {
  readonly #values = new Map<string, unknown>();

  constructor(list: readonly Attribute[]) {
    for (const { type, values } of list) {
      if (this.#values.has(type) || values.length !== 1) {
        throw new Unreadable(`Signed attribute ${type} does not stand exactly once.`);
      }
      this.#values.set(type, values[0]);
    }
  }

  contentType(): string | undefined {
    return text(at(this.#values.get(OID.contentType)));
  }

  messageDigest(): string {
    const digest = hex(at(this.#values.get(OID.messageDigest)));
    if (digest === undefined) throw new Unreadable('It has no message digest.');
    return digest;
  }

  signingTime(): number | undefined {
    const value = this.#values.get(OID.signingTime);
    if (typeof value !== 'object' || value === null || !('toDate' in value)) return undefined;
    return (value as { toDate(): Date }).toDate().getTime();
  }

  hint(): string | undefined {
    return text(at(this.#values.get(OID.contentHint), 0));
  }

  /** Only the default digest, SHA-256, is read; then the first field of ESSCertIDv2 is the digest. */
  certificateDigest(): string {
    const digest = hex(at(this.#values.get(OID.signingCertificate), 0, 0, 0));
    if (digest === undefined)
      throw new Unreadable('It does not bind the certificate of its signer.');
    return digest;
  }
}

interface Block {
  readonly value?: unknown;
  readonly valueHexView?: Uint8Array;
  toString(): string;
}

/** Walks down constructed ASN.1 values by position. */
function at(value: unknown, ...path: readonly number[]): Block | undefined {
  let current = value;
  for (const index of path) {
    const inside = blockOf(current)?.value;
    current = Array.isArray(inside) ? inside[index] : undefined;
  }
  return blockOf(current);
}

function blockOf(value: unknown): Block | undefined {
  if (typeof value !== 'object' || value === null || !('valueBlock' in value)) return undefined;
  return value.valueBlock as Block;
}

const hex = (block: Block | undefined): string | undefined =>
  block?.valueHexView === undefined ? undefined : Buffer.from(block.valueHexView).toString('hex');

const text = (block: Block | undefined): string | undefined =>
  block === undefined
    ? undefined
    : typeof block.value === 'string'
      ? block.value
      : block.toString();

function signerOf(data: SignedData, sid: unknown): ParsedCertificate | undefined {
  const wanted = sid as Pick<ParsedCertificate, 'issuer' | 'serialNumber'>;
  return data.certificates
    ?.filter((found): found is ParsedCertificate => 'serialNumber' in found && 'subject' in found)
    .find(
      (found) =>
        found.issuer.isEqual(wanted.issuer) && found.serialNumber.isEqual(wanted.serialNumber),
    );
}

function certificateOf(parsed: ParsedCertificate): X509Certificate {
  return new X509Certificate(new Uint8Array(parsed.toSchema(true).toBER()));
}

const KEY_USAGE = '2.5.29.15';

function usageOf(parsed: ParsedCertificate): CertificateUsage {
  const extensions = parsed.extensions ?? [];
  const usage = extensions.find((e) => e.extnID === KEY_USAGE)?.parsedValue as unknown;
  const [bits = 0] = blockOf(usage)?.valueHexView ?? [];
  return {
    digitalSignature: (bits & 0x80) !== 0,
    keyCertSign: (bits & 0x04) !== 0,
    criticalExtensions: extensions.filter((e) => e.critical).map((e) => e.extnID),
  };
}

/** Reads what a DER certificate permits. */
export async function certificateUsage(der: Uint8Array): Promise<CertificateUsage> {
  const { Certificate } = await import('pkijs');
  return usageOf(Certificate.fromBER(exactBuffer(der)));
}

/** The bytes alone in a buffer of their own, as the ASN.1 library wants them. */
export function exactBuffer(bytes: Uint8Array): ArrayBuffer {
  return new Uint8Array(bytes).buffer;
}

/** Digest of parts one after the other, hexadecimal. */
export function digestOfParts(hash: string, parts: readonly Uint8Array[]): string {
  const digest = createHash(hash);
  for (const part of parts) digest.update(part);
  return digest.digest('hex');
}
