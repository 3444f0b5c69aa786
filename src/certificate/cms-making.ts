import type { webcrypto } from 'node:crypto';
import type { BaseBlock, OctetString, Sequence } from 'asn1js';
import type { Attribute } from 'pkijs';
import { sha256 } from '../base/canonical.js';
import { digestOfParts, exactBuffer, OID } from './cms.js';

/** A key with the certificates that prove it: of a seal, or of a person. */
export interface CmsSigner {
  readonly key: webcrypto.CryptoKey;
  /** DER; the certificate of the key, then its root. */
  readonly certificates: readonly [signer: Uint8Array, root: Uint8Array];
}

/** What a signature says beside the digest; left out of PDFs, where the dictionary says it. */
export interface Claims {
  /** ms since the Unix epoch. */
  readonly at: number;
  readonly hint: string;
}

/**
 * Makes a detached CMS signature over parts one after the other. Who may sign what is for the caller
 * to judge: `sign.ts` for seals, `sign-statement.ts` for persons.
 *
 * @returns CMS SignedData, DER, with the certificates of the signer and its root.
 *
 * Source: RFC 5652; RFC 5035 (signing-certificate-v2); RFC 2634, 2.9 (content hints).
 */
export async function detachedCms(
  parts: readonly Uint8Array[],
  signer: CmsSigner,
  claims: Claims | undefined,
): Promise<Uint8Array> {
  const pkijs = await import('pkijs');
  const [certificate, root] = signer.certificates.map((der) =>
    pkijs.Certificate.fromBER(exactBuffer(der)),
  );
  if (certificate === undefined || root === undefined)
    throw new Error('a signer has a chain of two');
  const sid = new pkijs.IssuerAndSerialNumber({
    issuer: certificate.issuer,
    serialNumber: certificate.serialNumber,
  });
  const attributes = await signedAttributes(parts, signer.certificates[0], claims);
  const data = new pkijs.SignedData({
    version: 1,
    encapContentInfo: new pkijs.EncapsulatedContentInfo({ eContentType: OID.data }),
    signerInfos: [
      new pkijs.SignerInfo({
        version: 1,
        sid,
        signedAttrs: new pkijs.SignedAndUnsignedAttributes({ type: 0, attributes }),
      }),
    ],
    certificates: [certificate, root],
  });
  await data.sign(signer.key, 0, 'SHA-256');
  const info = new pkijs.ContentInfo({ contentType: OID.signedData, content: data.toSchema(true) });
  return derOf(info.toSchema());
}

async function signedAttributes(
  parts: readonly Uint8Array[],
  certificate: Uint8Array,
  claims: Claims | undefined,
): Promise<Attribute[]> {
  const { Attribute } = await import('pkijs');
  const asn1 = await import('asn1js');
  const octets = (hex: string): OctetString =>
    new asn1.OctetString({ valueHex: exactBuffer(Buffer.from(hex, 'hex')) });
  const list = (...value: readonly BaseBlock[]): Sequence =>
    new asn1.Sequence({ value: [...value] });
  const data = new asn1.ObjectIdentifier({ value: OID.data });
  const attribute = (type: string, value: BaseBlock): Attribute =>
    new Attribute({ type, values: [value] });
  const always = [
    attribute(OID.contentType, data),
    attribute(OID.messageDigest, octets(digestOfParts('sha256', parts))),
    // ESSCertIDv2 with its default digest left out, which is SHA-256.
    attribute(OID.signingCertificate, list(list(list(octets(sha256(certificate)))))),
  ];
  const claimed =
    claims === undefined
      ? []
      : [
          attribute(OID.signingTime, new asn1.UTCTime({ valueDate: new Date(claims.at) })),
          attribute(OID.contentHint, list(new asn1.Utf8String({ value: claims.hint }), data)),
        ];
  return inDerOrder([...always, ...claimed]);
}

/** DER wants the members of a set sorted by their encoding. Source: ITU-T X.690, 11.6. */
function inDerOrder(attributes: readonly Attribute[]): Attribute[] {
  return attributes
    .map((attribute) => ({ attribute, der: derOf(attribute.toSchema()) }))
    .sort((a, b) => Buffer.compare(a.der, b.der))
    .map(({ attribute }) => attribute);
}

const derOf = (block: BaseBlock): Uint8Array => new Uint8Array(block.toBER());
